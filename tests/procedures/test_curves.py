"""The psychometric curves against brute-force integrals, simulated observers and differences."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES
from panel.procedures.curves import CURVES

EVEN = ["triangle", "tetrad", "duotrio", "abx", "abx_independent"]
DIRECTED = ["twoafc", "threeafc"]
DISTANCES = [0.0, 0.3, 1.0, 2.2, 4.0, 7.0]


def integral(name, d):
    """The curve as its defining integral (Ennis 1993; Ennis et al. 1998)."""
    phi, Phi = norm.pdf, norm.cdf
    match name:
        case "twoafc":
            return quad(lambda z: phi(z - d) * Phi(z), -40, 40, points=[0, d])[0]
        case "threeafc":
            return quad(lambda z: phi(z - d) * Phi(z) ** 2, -40, 40, points=[0, d])[0]
        case "triangle":
            shift = d * np.sqrt(2 / 3)
            root = np.sqrt(3)
            return (
                2
                * quad(
                    lambda z: (Phi(-z * root + shift) + Phi(-z * root - shift)) * phi(z),
                    0,
                    40,
                    points=[shift / root],
                )[0]
            )
        case "tetrad":
            return (
                1
                - 2
                * quad(
                    lambda x: phi(x) * (2 * Phi(x) * Phi(x - d) - Phi(x - d) ** 2),
                    -40,
                    40,
                    points=[0, d],
                )[0]
            )
        case _:
            raise AssertionError(name)


@pytest.mark.parametrize("name", ["twoafc", "threeafc", "triangle", "tetrad"])
def test_closed_form_equals_the_integral(name):
    for d in DISTANCES:
        assert CURVES[name].probability(d) == pytest.approx(integral(name, d), abs=1e-9)


def share_right(name, d, rng, trials=400_000):
    """Simulated observers: the decision rule itself, one percept a sample."""
    noise = rng.standard_normal((4, trials))
    match name:
        case "twoafc":
            return np.mean(noise[0] + d > noise[1])
        case "threeafc":
            return np.mean((noise[0] + d > noise[1]) & (noise[0] + d > noise[2]))
        case "triangle":  # the odd one is the percept not in the closest pair
            odd, same, other = noise[0] + d, noise[1], noise[2]
            apart = np.abs(same - other)
            return np.mean((apart < np.abs(odd - same)) & (apart < np.abs(odd - other)))
        case "tetrad":  # two groups of two: right if no percept of one lies among the other's
            one, two = np.sort(noise[:2] + d, axis=0), np.sort(noise[2:], axis=0)
            return np.mean((one[0] > two[1]) | (two[0] > one[1]))
        case "duotrio" | "abx":  # X is a print of A; choose the reference it lies nearer to
            a, b, x = noise[0], noise[1] + d, noise[2]
            return np.mean(np.abs(x - a) < np.abs(x - b))
        case "abx_independent":  # order A and B first, then judge X against the midpoint
            a, b, x = noise[0], noise[1] + d, noise[2]
            says_b_is_higher, x_is_low = b > a, x < d / 2
            return np.mean(says_b_is_higher == x_is_low)
    raise AssertionError(name)


@pytest.mark.parametrize("name", EVEN + DIRECTED)
@pytest.mark.parametrize("d", [0.0, 1.0, 2.0])
def test_curve_is_what_a_simulated_observer_scores(name, d):
    rng = np.random.default_rng(20261125)
    spread = np.sqrt(0.25 / 400_000)
    expected = float(CURVES[name].probability(d))
    assert share_right(name, d, rng) == pytest.approx(expected, abs=4.5 * spread)


@pytest.mark.parametrize("name", EVEN + DIRECTED)
def test_derivatives_agree_with_differences(name):
    curve = CURVES[name]
    d, h = np.linspace(-4.0, 6.0, 41), 1e-4
    below, here, above = (curve.derivatives(d + e) for e in (-h, 0.0, h))
    assert here.first == pytest.approx((above.right - below.right) / (2 * h), abs=1e-8)
    assert here.second == pytest.approx((above.first - below.first) / (2 * h), abs=1e-8)
    assert here.third == pytest.approx((above.second - below.second) / (2 * h), abs=1e-8)
    assert here.right + here.wrong == pytest.approx(np.ones(41), abs=1e-15)
    assert curve.slope(d) == pytest.approx(here.first)
    assert curve.curvature(d) == pytest.approx(here.second)


@pytest.mark.parametrize("name", EVEN)
def test_even_curves_are_flat_and_at_chance_at_nought(name):
    curve = CURVES[name]
    assert curve.even
    assert curve.probability(0.0) == pytest.approx(curve.chance, abs=1e-15)
    assert curve.slope(0.0) == 0.0
    d = np.array([0.2, 1.0, 3.0])
    assert curve.probability(-d) == pytest.approx(curve.probability(d), abs=1e-15)
    assert curve.dprime([0.0, curve.chance - 0.1, curve.chance]).tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("name", DIRECTED)
def test_directed_curves_give_a_negative_distance_under_chance(name):
    curve = CURVES[name]
    assert not curve.even
    assert curve.probability(0.0) == pytest.approx(curve.chance, abs=1e-15)
    assert curve.dprime(curve.chance) == pytest.approx(0.0, abs=1e-9)
    assert curve.dprime(curve.chance - 0.1) < 0
    assert curve.dprime(0.0) == -np.inf


@pytest.mark.parametrize("name", EVEN + DIRECTED)
def test_dprime_inverts_the_curve(name):
    curve = CURVES[name]
    d = np.array([0.05, 0.5, 1.0, 2.0, 4.0, 6.0])
    assert curve.dprime(curve.probability(d)) == pytest.approx(d, rel=1e-7)
    assert curve.dprime(1.0) == np.inf


@pytest.mark.parametrize("name", [*EVEN, "twoafc"])
def test_the_chance_of_a_wrong_answer_keeps_its_digits_far_out(name):
    # Each tail is a positive sum: between one and a few normal tails at its slowest scale.
    curve = CURVES[name]
    wrong = curve.derivatives(np.array([10.0, 20.0])).wrong
    slowest = {"triangle": np.sqrt(6), "duotrio": np.sqrt(6), "abx": np.sqrt(6)}.get(
        name, 2.0 if name == "abx_independent" else np.sqrt(2)
    )
    tail = norm.sf(np.array([10.0, 20.0]) / slowest)
    assert np.all(wrong > 0.9 * tail)
    assert np.all(wrong < 4.01 * tail)


def test_plan_codes_name_their_curve():
    assert PROCEDURES["attribute"].curve is CURVES["twoafc"]
    assert PROCEDURES["preference"].curve is CURVES["twoafc"]
    assert CURVES["abx"].probability(1.3) == CURVES["duotrio"].probability(1.3)


@pytest.mark.parametrize("name", EVEN + DIRECTED)
@pytest.mark.parametrize("share", [-0.1, 1.1, float("nan")])
def test_a_share_outside_nought_to_one_is_refused_in_words(name, share):
    with pytest.raises(BadInput, match="between 0 and 1"):
        CURVES[name].dprime(share)
