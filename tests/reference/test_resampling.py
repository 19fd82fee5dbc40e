"""Our interpolation against soxr, and soxr's band limit against the spectrum, on real notes.

soxr ("VHQ", linear phase) is a general-purpose resampler with no code in common with ours.
"""

import numpy as np
import pytest
import soxr

from panel.audio.prepare.clips import resampled
from panel.audio.reading import decode
from panel.audio.warp import at_positions


def below_db(difference: np.ndarray, sound: np.ndarray) -> float:
    return 10 * np.log10(np.square(difference).mean() / np.square(sound).mean())


@pytest.mark.parametrize("note", ["E2", "Cs5"])
@pytest.mark.parametrize("ppm", [-150.0, 0.7, 25.0, 400.0])
def test_clock_correction_agrees_with_soxr(guitar, note, ppm):
    sound = decode.read(guitar / f"{note}.wav")
    played = sound.samples[: 3 * sound.rate]
    theirs = soxr.resample(played, sound.rate * (1 + ppm * 1e-6), sound.rate, "VHQ")
    ours = at_positions(played, 0.0, 1 + ppm * 1e-6, len(theirs))
    middle = slice(2000, -2000)  # either filter sees silence beyond the ends
    assert below_db(ours[middle] - theirs[middle], theirs[middle]) < -80


@pytest.mark.parametrize("rate", [48_000, 88_200, 96_000, 32_000])
def test_another_rate_agrees_with_the_spectrum_itself(guitar, rate):
    """A sound that is silent at both ends has one band-limited form: its spectrum, cut or filled
    up with nothing (the sampling theorem)."""
    sound = decode.read(guitar / "E2.wav")
    n, m = 2 * sound.rate, 2 * rate
    fade = np.hanning(n)[:, None]
    piece = sound.samples[:n] * fade
    spectrum = np.fft.rfft(piece, axis=0)
    # What lies in the resampler's own slope near half the rate is no business of this test.
    spectrum[int(0.85 * min(n, m) / 2) :] = 0
    piece = np.fft.irfft(spectrum, n, axis=0)
    filled = np.zeros((m // 2 + 1, 1), dtype=complex)
    kept = min(len(filled), len(spectrum))
    filled[:kept] = spectrum[:kept]
    expected = np.fft.irfft(filled, m, axis=0) * m / n
    found = resampled(piece, sound.rate, rate)
    assert found.shape == expected.shape
    assert below_db(found - expected, expected) < -100
