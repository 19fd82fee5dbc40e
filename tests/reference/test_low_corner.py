"""The low corner of C into R, in closed form, and the interval of its shift by simulation.

Values: common practice, no source; computed from 1 / (2 pi R C) and the first-order low cut.
22 nF into 220 kOhm: 32.88 Hz, -0.642 dB at 82.41 Hz; a capacitance 10 % low -0.138 dB more,
10 % high +0.105 dB (about +-0.12 dB), 20 %: -0.323 and +0.186 dB. 22 nF into 1 MOhm: 7.234 Hz.
"""

import dataclasses

import numpy as np
import pytest

from panel.audio.measure.low_corner import corner_hz, level_db, shift, tolerance_alone
from panel.audio.measure.transfer import Transfer
from panel.demo import synth
from panel.errors import BadInput

LOW_E_HZ = 82.41
HZ = np.geomspace(66.0, 20_000.0, 210)


@pytest.mark.parametrize(
    ("farads", "ohms", "corner", "level"),
    [
        (22e-9, 220e3, 32.88, -0.642), (22e-9, 470e3, 15.39, -0.149), (100e-9, 220e3, 7.23, -0.033),
        (2.2e-9, 1e6, 72.34, -2.481), (1e-9, 1e6, 159.2, -6.748), (680e-9, 2.7e3, 86.69, -3.236),
    ],
)  # fmt: skip
def test_corner_and_level_of_the_usual_pairs(farads, ohms, corner, level):
    assert corner_hz(ohms, farads) == pytest.approx(corner, rel=6e-4)
    assert level_db(LOW_E_HZ, corner_hz(ohms, farads)) == pytest.approx(level, abs=6e-4)


@pytest.mark.parametrize(
    ("farads", "ohms", "share", "low", "high"),
    [
        (22e-9, 220e3, 0.1, -0.138, 0.105), (22e-9, 220e3, 0.2, -0.323, 0.186),
        (22e-9, 470e3, 0.1, -0.034, 0.025), (2.2e-9, 1e6, 0.1, -0.422, 0.341),
        (1e-9, 1e6, 0.2, -1.594, 1.197), (680e-9, 2.7e3, 0.1, -0.505, 0.415),
    ],
)  # fmt: skip
def test_what_tolerance_alone_does(farads, ohms, share, low, high):
    found = tolerance_alone(ohms, farads, share, LOW_E_HZ)
    assert found.change_db == pytest.approx((low, high), abs=6e-4)
    nominal = corner_hz(ohms, farads)
    assert found.corners_hz == pytest.approx((nominal / (1 + share), nominal / (1 - share)))


@pytest.mark.parametrize(("ohms", "farads"), [(0, 1e-9), (1e6, -1e-9), (float("nan"), 1e-9)])
def test_a_corner_needs_both_parts(ohms, farads):
    with pytest.raises(BadInput, match="above zero"):
        corner_hz(ohms, farads)


def take(chain, reference, rng, noise):
    """Transfer function between two chains in closed form, with a measurement's noise."""
    log_gain = np.log(np.abs(synth.response(chain, HZ) / synth.response(reference, HZ)))
    sigma = np.full(len(HZ), noise)
    return Transfer(HZ, log_gain + sigma * rng.normal(size=len(HZ)), 0 * sigma, sigma, 1 - sigma)


def retake(rng, corner):
    """A chain with the slow waves of the demo's takes, and exactly this corner."""
    return dataclasses.replace(synth.varied(rng), low_corner_hz=corner)


@pytest.mark.parametrize(
    ("takes", "corners", "known"),
    [
        ((5, 5), (32.88, 36.5), True), ((3, 3), (7.234, 72.34), True), ((2, 2), (32.9, 32.9), True),
        ((4, 1), (32.9, 40.0), True), ((4, 4), (7.234, 7.234), False),
    ],
    ids=lambda value: str(value),
)  # fmt: skip
def test_the_interval_holds_the_truth_in_95_of_100_studies(takes, corners, known):
    """Simulation with known truth: 150 studies, takes that wave by some tenths of a dB. Of a
    binomial with p = 0.95 and n = 150, 134 (89 %) is passed but for 1 in 1,000."""
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(150):
        reference = retake(rng, corners[0])
        first = [take(reference, reference, rng, 1e-6)]
        first += [take(retake(rng, corners[0]), reference, rng, 2e-3) for _ in range(takes[0] - 1)]
        last = [take(retake(rng, corners[1]), reference, rng, 2e-3) for _ in range(takes[1])]
        found = shift(first, last, corners[0] if known else None)
        assert found.rests_on == "retakes"
        inside.append(found.low_hz <= corners[1] - corners[0] <= found.high_hz)
    assert sum(inside) >= 134


def test_with_one_take_each_the_interval_holds_noise_only():
    rng = np.random.default_rng(12)
    chains = [synth.Chain(low_corner_hz=corner) for corner in (32.88, 36.5)]
    inside = []
    for _ in range(150):
        pair = take(chains[0], chains[0], rng, 1e-9), take(chains[1], chains[0], rng, 0.01)
        found = shift(pair[:1], pair[1:], 32.88)
        assert found.rests_on == "noise"
        inside.append(found.low_hz <= 36.5 - 32.88 <= found.high_hz)
    assert 134 <= sum(inside) < 150


def test_what_has_not_the_shape_of_a_low_cut_is_none():
    """A bump of 3 dB around 150 Hz, alike in all takes of B."""
    rng = np.random.default_rng(13)
    bump = 0.35 * np.exp(-np.square(np.log2(HZ / 150.0) / 0.3))
    flat = [take(synth.Chain(), synth.Chain(), rng, 1e-3) for _ in range(6)]
    last = [dataclasses.replace(one, log_gain=one.log_gain + bump) for one in flat[3:]]
    assert shift(flat[:3], last) is None


def test_a_whistle_has_no_bottom():
    rng = np.random.default_rng(14)
    high = HZ > 2_000
    thin = [
        Transfer(*(getattr(one, field.name)[high] for field in dataclasses.fields(one)))
        for one in [take(synth.Chain(), synth.Chain(), rng, 1e-3) for _ in range(2)]
    ]
    assert shift(thin[:1], thin[1:]) is None
