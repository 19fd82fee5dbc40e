"""Thurstonian table of Ennis 1993 (J. Sensory Studies 8, 353–370) and Bi's formulas.

The values are recomputed (numerical integration and 2 million simulated trials, independent of
this code); that they equal the printed tables is from memory.
"""

import numpy as np
import pytest

from panel.procedures.curves import CURVES

DISTANCES = [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]
TABLE = {
    "twoafc": [0.5, 0.6382, 0.7602, 0.8556, 0.9214, 0.9615, 0.9831, 0.9977],
    "threeafc": [0.3333, 0.4826, 0.6337, 0.7658, 0.8658, 0.9314, 0.9688, 0.9955],
    "triangle": [0.3333, 0.3558, 0.4180, 0.5065, 0.6048, 0.6993, 0.7814, 0.8977],
    "duotrio": [0.5, 0.5223, 0.5825, 0.6635, 0.7468, 0.8196, 0.8765, 0.9467],
    "tetrad": [0.3333, 0.3777, 0.4938, 0.6409, 0.7777, 0.8797, 0.9430, 0.9913],
    "abx": [0.5, 0.5223, 0.5825, 0.6635, 0.7468, 0.8196, 0.8765, 0.9467],
    "abx_independent": [0.5, 0.5273, 0.5997, 0.6944, 0.7877, 0.8639, 0.9185, 0.9750],
}
FIVE_DIGITS_AT_ONE = {
    "twoafc": 0.76025,
    "threeafc": 0.63370,
    "triangle": 0.41805,
    "duotrio": 0.58248,
    "tetrad": 0.49381,
}
# d′ at which half of the listeners, or of the answers beyond chance, are right (p_d = 50 %).
HALF_DISCRIMINATE = {
    "twoafc": 0.954,
    "threeafc": 1.116,
    "triangle": 2.321,
    "duotrio": 2.020,
    "tetrad": 1.588,
}


@pytest.mark.parametrize("name", TABLE)
def test_share_right_by_dprime(name):
    # Four printed digits: half a unit of the last, and a hair for ties in rounding.
    assert CURVES[name].probability(DISTANCES) == pytest.approx(np.array(TABLE[name]), abs=5.1e-5)


@pytest.mark.parametrize("name", FIVE_DIGITS_AT_ONE)
def test_share_right_at_dprime_one_to_five_digits(name):
    assert CURVES[name].probability(1.0) == pytest.approx(FIVE_DIGITS_AT_ONE[name], abs=5.1e-6)


@pytest.mark.parametrize("name", HALF_DISCRIMINATE)
def test_dprime_where_half_discriminate(name):
    curve = CURVES[name]
    share = curve.chance + 0.5 * (1 - curve.chance)
    assert curve.dprime(share) == pytest.approx(HALF_DISCRIMINATE[name], abs=5.1e-4)
