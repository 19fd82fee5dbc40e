"""A directed claim speaks of people and of the change, so both are samples: three tests, one p.

Permuting the labels of takes or specimens alone asks whether it is the change, for *these*
listeners: where half of the panel likes each side, chance tips that half. Testing listeners alone
takes the recordings for the change. And both at 5 % is not a test over both at once (Clark 1973,
J. Verb. Learn. Verb. Behav. 12, 335–359; Raaijmakers, Schrijnemakers & Gremmen 1999, J. Mem. Lang.
41, 416–426; Judd, Westfall & Kenny 2012, J. Pers. Soc. Psychol. 103, 54–69; memory). So p is the
largest of

1. labels permuted over units (takes, or specimens), as the recorded draw could have dealt them;
2. signs flipped over listeners, whose scores lie either side of 0 alike if the panel's people lean
   no way;
3. min F′ = F₁F₂ / (F₁ + F₂) on 1 and (F₁ + F₂)² / (F₁²/df₂ + F₂²/df₁) degrees of freedom (Clark),
   F₁ over listeners, F₂ over units with Welch's degrees of freedom (Welch 1947, Biometrika 34,
   28–35), both of one mean M, in which each listener has one weight.

As F = M²/V, the third is M² over the sum of the two variances V₁ + V₂, with the degrees of freedom
of Satterthwaite (1946, Biometrics Bulletin 2, 110–114): so it is computed, and M = 0 is no trouble.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from panel.analysis.attribution.draw import Draw, permutation_test
from panel.analysis.attribution.permutation import Attribution
from panel.analysis.attribution.variance_parts import Part
from panel.analysis.counts import monte_carlo, shares
from panel.errors import BadInput

MOST_FLIPPED = 14  # listeners whose signs are flipped in every way
FLIPS = 9_999
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class MinF:
    """min F′, its second degrees of freedom, and P(F ≥ min F′)."""

    f: float
    freedom: float
    p: float


@dataclass(frozen=True)
class LargestOfThree:
    """`mean`: over listeners, each counting once, of what lies beyond nothing (a share less one
    half, or a difference of shares). `p_units`, `p_listeners`: of the first two tests; `over_both`:
    the third. `least_p`: the smallest p the units could have given; `listeners`: how many have a
    score."""

    mean: float
    p_units: float
    p_listeners: float
    over_both: MinF
    least_p: float
    listeners: int

    @property
    def p(self) -> float:
        return max(self.p_units, self.p_listeners, self.over_both.p)


NOTHING = LargestOfThree(0.0, 1.0, 1.0, MinF(0.0, 0.0, 1.0), 1.0, 0)


def min_f(mean: float, listeners: Part, units: Part) -> MinF:
    """min F′ of a mean whose variance has two parts, each with its degrees of freedom."""
    (v1, df1), (v2, df2) = listeners, units
    variance = v1 + v2
    if not np.isfinite(variance) or min(df1, df2) <= 0:
        return MinF(0.0, 0.0, 1.0)
    if variance == 0:  # nothing varies: nothing tells how far off the mean is
        return MinF(0.0, 0.0, 1.0)
    f, freedom = mean**2 / variance, variance**2 / (v1**2 / df1 + v2**2 / df2)
    return MinF(f, freedom, float(fdtrc(1, freedom, f)))


def welch(groups: Sequence[Floats]) -> Part:
    """Variance of a sum or difference of group means, and Welch's degrees of freedom; infinite
    where a group has fewer than two values."""
    if min(g.size for g in groups) < 2:
        return np.inf, 0
    return together([(float(g.var(ddof=1)) / g.size, g.size - 1) for g in groups])


def together(parts: Sequence[Part]) -> Part:
    """The sum of independent variances with Satterthwaite's degrees of freedom."""
    variance = sum(v for v, _ in parts)
    if variance == 0:
        return 0.0, sum(df for _, df in parts)
    return variance, variance**2 / sum(v**2 / df for v, df in parts)


def sign_flips(scores: Floats, rng: np.random.Generator) -> float:
    """Two-sided p of the mean of `scores` (listeners,) under flips of their signs.

    All 2^L flips up to MOST_FLIPPED listeners, FLIPS drawn ones beyond. 1 without a score.
    """
    if not scores.size:
        return 1.0
    observed = abs(float(scores.sum()))
    if scores.size <= MOST_FLIPPED:  # the first sign stays: the other half are mirror images
        signs = np.array([(1.0, *rest) for rest in product((1.0, -1.0), repeat=scores.size - 1)])
        bar = observed - 1e-9 * max(1.0, observed)
        return float(np.mean(np.abs(signs @ scores) >= bar))

    def flipped(draws: int) -> Floats:
        out: Floats = np.abs(rng.choice([-1.0, 1.0], (draws, scores.size)) @ scores)
        return out

    return monte_carlo.p_value(flipped, observed, FLIPS)


def join(
    scores: Floats,
    units: Attribution | float,
    part: Part,
    rng: np.random.Generator,
    *,
    settled_above: float | None = None,
) -> LargestOfThree:
    """The three as one: `scores` (listeners,), 0 meaning no lean; the test over units, or its p;
    and the variance that units give the mean of the scores.

    Where the units lean the other way than the mean of the listeners, p over units is 1. With
    `settled_above`, signs are not flipped where another of the three is above it: p is then 1.
    """
    if scores.size < 2:
        return NOTHING
    mean = float(scores.mean())
    p_units, least = (units, 0.0) if isinstance(units, float) else (units.p, units.least_p)
    if isinstance(units, Attribution) and units.statistic * mean < 0:
        p_units = 1.0
    over_listeners = float(scores.var(ddof=1)) / scores.size, scores.size - 1
    both = min_f(mean, over_listeners, part)
    settled = settled_above is not None and max(p_units, both.p) > settled_above
    flipped = 1.0 if settled else sign_flips(scores, rng)
    return LargestOfThree(mean, p_units, flipped, both, least, int(scores.size))


def directed(
    y: Floats,
    listener: Ints,
    first: Ints,
    second: Ints,
    draw: Draw,
    rng: np.random.Generator,
    *,
    settled_above: float | None = None,
) -> LargestOfThree:
    """Is the later side (label 1) chosen more often than the earlier (0), or less? Two-sided.

    Votes of a round robin: `y` (votes,): 1 for `second`, 0 for `first`, 1/2 for neither; `listener`
    (votes,): codes from 0; `first`, `second` (votes,): codes of units, that is takes, or specimens
    whose takes move with them; `draw`: the sides of the units, and what was drawn. Votes on one
    unit against itself do not enter. `mean`: the share for the later side less one half.

    Each unit's score is its share of wins over all its votes, a listener's votes weighing together
    1. Votes within a side cancel in the difference of the sides' means and make the units' scatter
    less noisy; what they add to it is known from the schedule and divided out. Raises BadInput
    unless the draw has two sides.
    """
    if draw.sides > 2:
        raise BadInput(
            "A direction needs two sides, and there are more.", hint="Take two of them at a time."
        )
    apart = first != second
    y, listener, first, second = y[apart], listener[apart], first[apart], second[apart]
    across = draw.labels[first] != draw.labels[second]
    if not across.any() or draw.sides < 2:
        return NOTHING
    later = np.where(draw.labels[second] == 1, y, 1 - y)[across]
    scores = shares.of_listeners(later, listener[across]) - 0.5
    wins, met = _tables(y, shares.weights_of_votes(listener), first, second, draw.labels.size)
    if not np.all(met.sum(axis=1)):  # a unit nobody heard tells nothing, nor does it count one half
        return NOTHING
    share, opponents = wins / met.sum(axis=1), met / met.sum(axis=1, keepdims=True)
    centred = share - _block_means(share, draw)
    difference = permutation_test(
        lambda visited: _difference(visited, centred), draw, rng, two_sided=True, renaming="alike"
    )
    return join(
        scores, difference, _over_units(share, opponents, draw), rng, settled_above=settled_above
    )


def trend(
    y: Floats,
    listener: Ints,
    first: Ints,
    second: Ints,
    draw: Draw,
    doses: Sequence[float],
    rng: np.random.Generator,
    *,
    settled_above: float | None = None,
) -> LargestOfThree:
    """Is more chosen the higher the dose, or the lower? Two-sided.

    As `directed`, with `doses` (sides,): the dose of each side on the declared scale. `mean`: over
    listeners, of the slope of his share for `second` less one half on the difference in dose, per
    unit of the scale. Over units: labels permuted, statistic the slope of their scores on dose; and
    in min F′ the variance of that slope by least squares, on two degrees of freedom fewer than
    units (as many fewer as blocks and one where the order was drawn within blocks).
    """
    apart = first != second
    y, listener, first, second = y[apart], listener[apart], first[apart], second[apart]
    dose = np.asarray(doses, float)[draw.labels]
    step = dose[second] - dose[first]
    if not step.any():
        return NOTHING
    telling = np.bincount(listener, weights=step**2)
    rise = np.bincount(listener, weights=step * (y - 0.5))
    scores = rise[telling > 0] / telling[telling > 0]
    wins, met = _tables(y, shares.weights_of_votes(listener), first, second, draw.labels.size)
    if not np.all(met.sum(axis=1)):
        return NOTHING
    share, opponents = wins / met.sum(axis=1), met / met.sum(axis=1, keepdims=True)
    centred = share - _block_means(share, draw)

    def slope(visited: Ints) -> Floats:
        x = np.asarray(doses, float)[visited]
        x = x - x.mean(axis=1, keepdims=True)
        spread = np.sum(x * x, axis=1)
        out: Floats = np.divide(x @ centred, spread, out=np.zeros(len(x)), where=spread > 0)
        return out

    permuted = permutation_test(slope, draw, rng, two_sided=True, renaming="none")
    x = dose - _block_means(dose, draw)
    spread, freedom = float(x @ x), share.size - np.unique(draw.block).size - 1
    if spread == 0 or freedom < 1:
        return join(scores, permuted, (np.inf, 0), rng, settled_above=settled_above)
    left = centred - x * float(x @ centred) / spread
    among = opponents.sum() / (share.size * (share.size - 1))
    variance = float(left @ left) / freedom / spread / (1 + among) ** 2
    return join(scores, permuted, (variance, freedom), rng, settled_above=settled_above)


def _tables(
    y: Floats, weight: Floats, first: Ints, second: Ints, units: int
) -> tuple[Floats, Floats]:
    """Weighted wins (units,) and weighted votes of each unit against each (units, units)."""
    wins: Floats = np.bincount(second, weights=weight * y, minlength=units).astype(float)
    wins += np.bincount(first, weights=weight * (1 - y), minlength=units)
    met: Floats = np.bincount(
        first * units + second, weights=weight, minlength=units * units
    ).astype(float)
    met = met.reshape(units, units)
    return wins, met + met.T


def _block_means(share: Floats, draw: Draw) -> Floats:
    out: Floats = (np.bincount(draw.block, weights=share) / np.bincount(draw.block))[draw.block]
    return out


def _difference(visited: Ints, scores: Floats) -> Floats:
    later = visited == 1
    n = later.sum(axis=1)
    out: Floats = later @ scores / n - ~later @ scores / (scores.size - n)
    return out


def _over_units(share: Floats, opponents: Floats, draw: Draw) -> Part:
    """Variance that the units give the mean of a share across sides.

    With y = 1/2 + c·(x_second − x_first) for places x of units, scores are 1/2 + c·(I − O)x, O the
    shares of opponents (units, units). So a unit's own deviation stands out among those of its side
    by c·δ·(1 + O̅), O̅ the mean share that one unit of the group is of another's opponents.
    """
    blocks = [np.flatnonzero(draw.block == b) for b in np.unique(draw.block[draw.telling])]
    groups = [[own[draw.labels[own] == side] for side in (0, 1)] for own in blocks]
    if min(group.size for pair in groups for group in pair) > 1:
        size = [sum(pair[side].size for pair in groups) for side in (0, 1)]
        parts = []
        for pair in groups:
            for side, group in enumerate(pair):
                among = opponents[np.ix_(group, group)]
                stands_out = 1 + among.sum() / (group.size * (group.size - 1))
                variance = float(share[group].var(ddof=1)) / group.size / stands_out**2
                parts.append((variance * (group.size / size[side]) ** 2, group.size - 1))
        return together(parts)
    if len(groups) < 2:
        return np.inf, 0
    # One of a side in a block, as in pairs: the differences of blocks are what varies.
    later, earlier = (np.array([share[pair[side]].mean() for pair in groups]) for side in (1, 0))
    stands_out = 1.0
    for mine, other in ((0, 1), (1, 0)):
        own = _mean_share([(a[other], a[mine]) for a in groups], opponents)
        elsewhere = [(a, b) for a in groups for b in groups if b is not a]
        mates = _mean_share([(b[mine], a[mine]) for a, b in elsewhere], opponents)
        others = _mean_share([(b[other], a[mine]) for a, b in elsewhere], opponents)
        stands_out += (own + mates - others) / 2
    return float((later - earlier).var(ddof=1)) / len(groups) / stands_out**2, len(groups) - 1


def _mean_share(pairs: Sequence[tuple[Ints, Ints]], opponents: Floats) -> float:
    """Mean share that units of the second group are of the first's opponents."""
    return float(np.mean([opponents[np.ix_(a, b)].mean() for a, b in pairs]))
