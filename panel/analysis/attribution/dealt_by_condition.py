"""Trials dealt by condition: is it more than these takes? The takes themselves are the sample.

Where a schedule chooses takes by their condition (2-AFC with a reminder), relabelling them is no
exact test. Instead each take is one draw of its condition: the mean share right is held against
one half with the jackknife over takes, all votes that met a take left out at a time, each side on
its own (Efron & Stein 1981, Ann. Statist. 9, 586–596: its variance is on average no less than the
true one), and Student's t with the smaller side's takes less one as degrees of freedom.

Simulated (480 votes, nothing changed, takes of one condition scattering by 0.25, 0.5 and 1 d′):
false claims at 5 % in 0.9, 2.9 and 6.5 % with three takes a side, 0.7, 1.8 and 3.1 % with four,
0.3, 1.2 and 2.1 % with five; with two the jackknife has nothing to go by. So it takes four.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from panel.analysis.attribution.permutation import Attribution

LEAST_TAKES = 4
Ints = NDArray[np.int64]


def test(y: NDArray[np.bool_], met: Ints, labels: Ints) -> Attribution:
    """p that the mean share right of `y` (votes,) exceeds one half over takes, one-sided.

    `met` (votes, k): the takes of each vote, in whatever part; `labels` (takes,): their
    conditions. 1 without votes, or with fewer than LEAST_TAKES takes of a condition.
    """
    sizes = np.bincount(labels)
    nothing = Attribution(0.0, 1.0, 1.0, 0, False)
    if y.size == 0 or sizes.size != 2 or sizes.min() < LEAST_TAKES:
        return nothing
    mean, variance = float(y.mean()), 0.0
    for side in range(2):
        own = np.flatnonzero(labels == side)
        without = [y[~np.any(met == take, axis=1)] for take in own]
        if any(left.size == 0 for left in without):
            return nothing
        means = np.array([left.mean() for left in without])
        variance += (own.size - 1) / own.size * float(np.sum((means - means.mean()) ** 2))
    excess = mean - 0.5
    if variance == 0:
        return Attribution(excess, 1.0, 0.0, 0, False)
    p = float(student.sf(excess / math.sqrt(variance), int(sizes.min()) - 1))
    return Attribution(excess, p, 0.0, 0, False)
