"""Pairs of takes that share takes: what that adds to how far the mean over pairs can be off.

A pair across the conditions differs by what its two takes deviate, t_b − t_a. A model that takes
pairs as independent sees the spread of those differences, but not that a take stands in many
pairs, so it takes the mean over pairs to be nearer to the truth than it is. With w the weight of
each take in the mean (Σ w over a side is 1), σ² the variance of takes, s the share of votes of
each pair, and v the spread of pairs about their mean:

    variance of the mean = σ² Σ w²,    E v = σ² (2 − Σ w²),    counted by the model: v Σ s²

as the differences have variance 2 σ² each (sums of variances of independent deviations).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class SharedTakes:
    """`take_sd`: standard deviation of takes; `variance`: what the mean over pairs varies by more
    than a model of independent pairs counts, at least 0; `freedom`: takes less conditions."""

    take_sd: float
    variance: float
    freedom: int

    def widened(
        self, centre: float, interval: tuple[float, float], confidence: float
    ) -> tuple[float, float]:
        """The interval with Student's t of the added variance, each side in quadrature."""
        if self.variance <= 0:
            return interval
        more = float(student.ppf(0.5 + confidence / 2, self.freedom)) * math.sqrt(self.variance)
        low, high = interval
        return centre - math.hypot(centre - low, more), centre + math.hypot(high - centre, more)


def of_pairs(low: Ints, high: Ints, labels: Ints, pair_sd: float) -> SharedTakes:
    """`low`, `high` (votes,): the take of the earlier and of the later condition in each vote;
    `labels` (takes,): conditions; `pair_sd`: the model's standard deviation of pairs."""
    votes, takes = low.size, labels.size
    weight = (
        np.bincount(high, minlength=takes) - np.bincount(low, minlength=takes)
    ) / votes  # of each take in the mean
    _, each = np.unique(low * takes + high, return_counts=True)
    in_mean, in_model = float(np.sum(weight**2)), float(np.sum((each / votes) ** 2))
    take_variance = pair_sd**2 / (2 - in_mean) if in_mean < 2 else 0.0
    more = take_variance * in_mean - pair_sd**2 * in_model
    met = np.union1d(low, high)
    freedom = met.size - np.unique(labels[met]).size
    return SharedTakes(math.sqrt(take_variance), max(0.0, more), max(1, freedom))
