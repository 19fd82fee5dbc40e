"""What pairs that share takes add to an interval, against sums of variances and by simulation."""

from itertools import product

import numpy as np
import pytest
from scipy.stats import norm

from panel.analysis.attribution.shared_takes import of_pairs


def round_robin(sides, votes=1):
    """Every pair across two sides, `votes` times; and each take's side."""
    low, high = np.array(list(product(range(sides[0]), range(sides[0], sum(sides))))).T
    return np.repeat(low, votes), np.repeat(high, votes), np.repeat([0, 1], sides)


@pytest.mark.parametrize("sides", [(4, 4), (5, 5), (2, 6)])
def test_balanced_pairs_have_the_variance_of_two_means(sides):
    """Var(mean b − mean a) = σ² (1/n + 1/m), by the variance of a mean."""
    a, b = sides
    found = of_pairs(*round_robin(sides, 3), 1.0)
    of_mean = 1 / a + 1 / b
    variance = found.take_sd**2
    assert variance == pytest.approx(1 / (2 - of_mean))
    assert found.variance == pytest.approx(variance * of_mean - 1 / (a * b))
    assert found.freedom == a + b - 2


def test_pairs_that_share_no_take_add_next_to_nothing():
    """Twenty pairs of their own takes are independent: 2σ²/20, of which the model counts v/20."""
    low, high = np.arange(20), np.arange(20, 40)
    found = of_pairs(low, high, np.repeat([0, 1], 20), 1.0)
    assert found.variance == pytest.approx(2 / (2 - 0.1) / 20 - 1 / 20)
    assert found.variance < 0.003


def test_without_spread_nothing_is_widened():
    found = of_pairs(*round_robin((4, 4)), 0.0)
    assert found.widened(1.0, (0.5, 1.7), 0.95) == (0.5, 1.7)


def test_spread_of_takes_and_cover_of_the_mean_are_those_of_drawn_takes():
    """Takes drawn as normal, pairs measured without noise: the model's interval is then
    mean ± z √(v/pairs), which covers far too seldom; widened it covers about as often as meant."""
    rng = np.random.default_rng(8)
    low, high, labels = round_robin((4, 4))
    plain = covered = 0
    squares = []
    runs = 2_000
    for _ in range(runs):
        takes = rng.normal(0, 0.5, 8)
        pairs = takes[high] - takes[low]
        centre, spread = pairs.mean(), pairs.std()
        found = of_pairs(low, high, labels, spread)
        half = norm.ppf(0.975) * spread / np.sqrt(pairs.size)
        left, right = found.widened(centre, (centre - half, centre + half), 0.95)
        plain += abs(centre) < half
        covered += left < 0 < right
        squares.append(found.take_sd**2)
    assert np.mean(squares) == pytest.approx(0.25, rel=0.05)
    assert plain / runs < 0.75
    assert 0.93 < covered / runs < 0.98
