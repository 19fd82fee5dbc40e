"""The test for takes dealt by condition: its arithmetic by hand, and its level with a known truth.

Simulated (invented data): a listener matches two fresh takes to two others that are known without
noise, the worst case for the level; 480 votes.
"""

import numpy as np
import pytest
from scipy.stats import norm
from scipy.stats import t as student

from panel.analysis.attribution import dealt_by_condition


def votes(rng, takes, spread, effect, n=480):
    first = spread * rng.standard_normal(takes) + effect
    second = spread * rng.standard_normal(takes)
    a, b = rng.integers(takes, size=(2, n))
    ra = (a + 1 + rng.integers(takes - 1, size=n)) % takes
    rb = (b + 1 + rng.integers(takes - 1, size=n)) % takes
    known = np.sign(first[ra] - second[rb])
    right = rng.random(n) < norm.cdf(known * (first[a] - second[b]) / np.sqrt(2))
    met = np.column_stack([a, b + takes, ra, rb + takes])
    return right, met, np.repeat([0, 1], takes)


@pytest.mark.parametrize("takes", [4, 5])
@pytest.mark.parametrize("spread", [0.25, 1.0])
def test_false_claims_stay_at_the_level(takes, spread):
    rng = np.random.default_rng(6)
    runs = 600
    claims = sum(
        dealt_by_condition.test(*votes(rng, takes, spread, 0.0)).p <= 0.05 for _ in range(runs)
    )
    assert claims <= 0.05 * runs + 3 * np.sqrt(0.05 * 0.95 * runs)


def test_a_change_beyond_the_scatter_is_found():
    rng = np.random.default_rng(7)
    found = sum(dealt_by_condition.test(*votes(rng, 4, 0.25, 1.0)).p <= 0.05 for _ in range(100))
    assert found >= 80


def test_the_jackknife_by_hand():
    # Four takes a side, each vote meeting a fresh and a known take of each; counted by loops.
    right, met, labels = votes(np.random.default_rng(3), 4, 0.3, 1.0, n=60)
    variance = 0.0
    for side in (range(4), range(4, 8)):
        left = []
        for take in side:
            kept = [r for r, row in zip(right, met, strict=True) if take not in row]
            left.append(sum(kept) / len(kept))
        middle = sum(left) / 4
        variance += 3 / 4 * sum((value - middle) ** 2 for value in left)
    t = (right.mean() - 0.5) / np.sqrt(variance)
    assert dealt_by_condition.test(right, met, labels).p == pytest.approx(student.sf(t, 3))


@pytest.mark.parametrize("takes", [2, 3])
def test_few_takes_claim_nothing(takes):
    right, met, labels = votes(np.random.default_rng(3), takes, 0.0, 5.0)
    assert dealt_by_condition.test(right, met, labels).p == 1.0
