"""Equipment and a recorder by closed forms: what a played file becomes, with known truth."""

import io

import numpy as np
import recordings
import soundfile

RATE = 48_000


def heard(
    played: np.ndarray,
    *,
    corner_hz: float | None = None,
    second: float = 0.0,
    hum: tuple[float, float] | None = None,
    noise: float = 0.0,
    delay: float = 0.0,
    ppm: float = 0.0,
    gain: float = 1.0,
    seed: int = 0,
) -> np.ndarray:
    """`played` (frames,) at RATE through y = x + second x^2, a first-order low cut (bilinear, its
    corner exact), then recorded `delay` samples late by a clock slow by `ppm` (as LeaderIn has
    it), with hum (Hz, amplitude) and white noise."""
    import soxr
    from scipy.signal import bilinear, lfilter

    sound = played + second * played**2
    if corner_hz is not None:
        w = 2 * RATE * np.tan(np.pi * corner_hz / RATE)
        sound = lfilter(*bilinear([1, 0], [1, w], RATE), sound)
    # Late by any fraction, by the shift theorem; silence around it, so nothing comes in behind.
    whole = np.concatenate((sound, np.zeros(RATE // 2 + int(delay))))
    size = 1 << (len(whole) + 8192).bit_length()
    spectrum = np.fft.rfft(whole, size)
    spectrum *= np.exp(-2j * np.pi * np.fft.rfftfreq(size) * delay)
    out = np.fft.irfft(spectrum, size)[: len(whole)]
    if ppm:
        out = soxr.resample(out, RATE * (1 + ppm * 1e-6), RATE, "VHQ")
    out *= gain
    if hum is not None:
        out = out + hum[1] * np.sin(2 * np.pi * hum[0] * np.arange(len(out)) / RATE + 0.3)
    return out + noise * np.random.default_rng(seed).standard_normal(len(out))


def music(seconds: float = 4.0) -> np.ndarray:
    return recordings.music(0, seconds=seconds, rate=RATE)


def wav(sound: np.ndarray, rate: int = RATE) -> bytes:
    return recordings.file(sound, rate=rate, words="FLOAT")


def opened(content: bytes) -> tuple[np.ndarray, int]:
    samples, rate = soundfile.read(io.BytesIO(content), dtype="float64", always_2d=True)
    return samples, rate
