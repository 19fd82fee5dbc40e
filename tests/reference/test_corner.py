"""A first-order low cut is measured as the closed form says: 1 / sqrt(1 + (fc/f)^2).

Corners 1 / (2 pi R C): 22 nF into 220 kOhm 32.88 Hz, -0.642 dB at 82.41 Hz; 22 nF into 1 MOhm
7.234 Hz, -0.0333 dB there; 1 nF into 1 MOhm 159.2 Hz, -6.748 dB (common practice, no source;
VALUES section 11, computed there).
"""

import numpy as np
import pytest
from scipy.signal import bilinear, lfilter

from panel.audio.difference import measure
from panel.audio.sound import Sound, Source

RATE = 48_000
SOURCE = Source("WAV", "PCM_24", 24, False)


def low_cut(samples, corner_hz):
    """The analogue R-C by the bilinear transform, its corner pre-warped."""
    w = 2 * RATE * np.tan(np.pi * corner_hz / RATE)
    return lfilter(*bilinear([1, 0], [1, w], RATE), samples, axis=0)


def loss(hz, corner):
    return -10 * np.log10(1 + (corner / hz) ** 2)


@pytest.mark.parametrize(
    ("farads", "ohms", "corner", "at_low_e"),
    [(22e-9, 220e3, 32.88, -0.642), (22e-9, 1e6, 7.234, -0.0333), (1e-9, 1e6, 159.2, -6.748)],
)
def test_table_of_corners(farads, ohms, corner, at_low_e):
    assert 1 / (2 * np.pi * farads * ohms) == pytest.approx(corner, rel=1e-3)
    assert loss(82.41, 1 / (2 * np.pi * farads * ohms)) == pytest.approx(at_low_e, abs=2e-3)


@pytest.mark.parametrize("corner", [7.234, 32.88, 159.2])
def test_third_octaves_follow_the_closed_form_within_a_twentieth_of_a_db(corner):
    noise = 0.1 * np.random.default_rng(4).standard_normal((20 * RATE, 1))
    found = measure(Sound(noise, RATE, SOURCE), Sound(low_cut(noise, corner), RATE, SOURCE))
    bands = {hz: difference + found.gain_db for hz, difference in found.third_octave}
    for index in range(-14, 8):  # 40 Hz to 5 kHz
        middle = 1000 * 10 ** (index / 10)
        # White noise: the band's mean of the squared response, in closed form.
        low, high = middle * 10**-0.05, middle * 10**0.05
        kept = high - low - corner * (np.arctan(high / corner) - np.arctan(low / corner))
        expected = 10 * np.log10(kept / (high - low))
        nominal = min(bands, key=lambda hz: abs(np.log(hz / middle)))
        # The noise itself is uneven within the narrow low bands.
        assert bands[nominal] == pytest.approx(expected, abs=0.05 if middle > 60 else 0.1)
