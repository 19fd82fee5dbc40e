"""The band spanned by retakes, in words: where a contrast leaves it, and by how much."""

import numpy as np
import pytest

from panel.audio.measure.difference import NOMINAL_HZ
from panel.audio.measure.retakes import retake_band

RATE = 48_000
DASH = "\N{EN DASH}"


def shaped(gain_db: dict[tuple[float, float], float]) -> np.ndarray:
    """One noise with known gains between known frequencies, exact in its spectrum."""
    spectrum = np.fft.rfft(0.05 * np.random.default_rng(3).standard_normal(4 * RATE))
    hz = np.fft.rfftfreq(4 * RATE, 1 / RATE)
    for (low, high), gain in gain_db.items():
        spectrum[(hz >= low) & (hz < high)] *= 10 ** (gain / 20)
    return np.fft.irfft(spectrum)[:, None]


# Within the edges of the third octaves at 3.15 to 8 kHz, and at 100 Hz: 10^3.45 to 10^3.95 and
# 10^1.95 to 10^2.05 Hz (IEC 61260-1, base ten).
HIGH = (10**3.455, 10**3.945)
LOW = (10**1.96, 10**2.04)


def conditions(change: dict[tuple[float, float], float], takes: int = 4):
    """Takes that differ by up to 0.3 dB above 2.8 kHz, and by the change between conditions."""
    own = np.linspace(-0.15, 0.15, takes)
    first = [shaped({HIGH: float(gain)}) for gain in own]
    last = [
        shaped({band: g + (float(gain) if band == HIGH else 0) for band, g in change.items()})
        for gain in own
    ]
    return first, last


def test_it_says_in_which_bands_and_by_how_much():
    first, last = conditions({HIGH: 1.4})
    found = retake_band(first, last, RATE)
    # 1.4 dB of change, of which retakes span 0.3: 1.1 dB beyond them.
    assert found.sentence == f"Larger than retakes vary in 3.15{DASH}8 kHz by up to 1.1 dB."
    assert found.pairs == 12
    outside = {band.hz for band in found.bands if abs(band.outside_db) > 0.05}
    assert outside == {hz for hz in NOMINAL_HZ if 3150 <= hz <= 8000}


def test_two_stretches_are_both_named_the_larger_first():
    first, last = conditions({HIGH: 1.4, LOW: -2.0})
    sentence = retake_band(first, last, RATE).sentence
    # Four fifths of the band at 100 Hz are 2 dB lower: 10 log10(0.2 + 0.8 * 10^-0.2) = -1.5 dB.
    assert sentence.startswith("Larger than retakes vary at 100 Hz by 1.5 dB and in 3.15")


def test_what_stays_inside_is_said_to():
    first, last = conditions({HIGH: 0.2})
    assert "within what retakes vary by" in retake_band(first, last, RATE).sentence


@pytest.mark.parametrize(("takes", "said"), [(1, "one pair"), (2, "2 pairs")])
def test_few_retakes_are_owned_up_to(takes: int, said: str):
    first, last = conditions({HIGH: 3.0}, 2)
    found = retake_band(first[:2], last[:takes], RATE)
    assert found.pairs == takes
    assert f"Only {said} of retakes can say so" in found.sentence
