"""Invented sound for the tests: plucked strings, noise, and a take displaced by a known truth."""

import numpy as np
import pytest

from panel.audio.sound import Sound, Source

RATE = 48_000
PCM24 = Source("WAV", "PCM_24", 24, False)


def plucked(seconds, seed, rate=RATE, channels=1):
    """A melody of plucked strings (Karplus and Strong 1983, the plain algorithm)."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(seed)
    out = np.zeros((round(seconds * rate), channels))
    at = 0.05
    while at < seconds - 0.3:
        period = int(rate / rng.choice([196, 220, 247, 262, 294, 330, 392, 440]))
        length = min(2 * rate, out.shape[0] - int(at * rate))
        burst = np.zeros(length)
        burst[: min(period, length)] = rng.uniform(-1, 1, period)[:length]
        loop = np.zeros(period + 2)
        loop[0], loop[period:] = 1.0, -0.498
        note = lfilter([1.0], loop, burst - np.mean(burst[:period]) * (burst != 0))
        pan = rng.uniform(0.3, 1.0, channels)
        begin = int(at * rate)
        out[begin : begin + length] += note[:, None] * pan * rng.uniform(0.3, 1)
        at += rng.choice([0.25, 0.375, 0.5])
    return 0.25 * out / np.abs(out).max()


def noisy(seconds, seed, rate=RATE, channels=1):
    rng = np.random.default_rng(seed)
    return 0.1 * rng.standard_normal((round(seconds * rate), channels))


def musical(seconds, seed, rate=RATE, channels=1):
    """Pink-like noise under a slow envelope, with a few steady partials."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(seed)
    n = round(seconds * rate)
    t = np.arange(n)[:, None] / rate
    pink = lfilter([0.05], [1, -0.95], rng.standard_normal((n, channels)), axis=0)
    swell = 0.4 + 0.6 * np.abs(np.sin(2 * np.pi * 0.7 * t))
    partials = sum(np.sin(2 * np.pi * f * t + p) for f, p in ((221, 0), (333.3, 1), (447, 2)))
    return 0.2 * swell * (0.5 * pink / pink.std() * 0.3 + 0.2 * partials)


MATERIAL = {"plucked": plucked, "noise": noisy, "music": musical}


def delayed(samples, delay, frames=None):
    """`samples` later by any fraction, by the shift theorem over a padded spectrum: no filter."""
    frames = samples.shape[0] if frames is None else frames
    size = samples.shape[0] + frames + 2 * int(abs(delay)) + 8192
    spectrum = np.fft.rfft(samples, size, axis=0)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * delay)
    return np.fft.irfft(spectrum * turn[:, None], size, axis=0)[:frames]


def drifted(samples, ppm, rate=RATE):
    """`samples` as a clock fast by `ppm` would leave them (shorter), by soxr."""
    import soxr

    return soxr.resample(samples, rate * (1 + ppm * 1e-6), rate, "VHQ")


def with_noise(samples, snr_db, seed):
    rng = np.random.default_rng(seed)
    level = np.sqrt(np.square(samples).mean()) * 10 ** (-snr_db / 20)
    return samples + level * rng.standard_normal(samples.shape)


@pytest.fixture
def make():
    """The makers above, so that test modules need no import of each other."""

    class Make:
        rate = RATE
        source = PCM24
        material = MATERIAL

    Make.plucked, Make.noisy, Make.musical = map(staticmethod, (plucked, noisy, musical))
    Make.delayed, Make.drifted, Make.with_noise = map(staticmethod, (delayed, drifted, with_noise))
    Make.sound = staticmethod(lambda samples, rate=RATE: Sound(samples, rate, PCM24))
    return Make
