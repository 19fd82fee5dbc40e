"""Planted checks change what they say, by what they say."""

import numpy as np
import pytest
from scipy.signal import freqz

from panel.audio.loudness import true_peak_db
from panel.audio.prepare.planted import change, high_shelf, pair
from panel.errors import BadInput


@pytest.mark.parametrize("amount", [-6.0, 1.5, 6.0])
def test_level(make, amount):
    clip = make.plucked(1, 1) * 0.3
    assert change(clip, make.rate, "level", amount) == pytest.approx(clip * 10 ** (amount / 20))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("amount", [-6.0, 3.0, 6.0])
def test_shelf_has_its_amount_above_half_at_the_corner_and_none_below(rate, amount):
    # Closed form of a high shelf: 0 dB at DC, half the amount at the corner, all of it at the top.
    b, a = high_shelf(rate, amount, 3000.0)
    _, h = freqz(b, a, [20.0, 3000.0, 15_000.0], fs=rate)
    assert 20 * np.log10(np.abs(h)) == pytest.approx([0.0, amount / 2, amount], abs=0.05)


def test_nothing_passes_the_true_peak_limit(make):
    clip = make.plucked(1, 1)
    clip *= 0.8 / np.abs(clip).max()
    with pytest.raises(BadInput, match="true peak"):
        change(clip, make.rate, "level", 6.0)
    plain, changed = pair(clip, make.rate, "level", 6.0)
    assert changed == pytest.approx(plain * 10 ** (6 / 20))
    assert true_peak_db(changed, make.rate) == pytest.approx(-1.0, abs=1e-6)


@pytest.mark.parametrize(
    ("kind", "amount"), [("echo", 6.0), ("level", 0.0), ("level", float("nan")), ("shelf", 60.0)]
)
def test_nonsense_is_refused(make, kind, amount):
    with pytest.raises(BadInput):
        change(make.plucked(1, 1), make.rate, kind, amount)
