"""Do listeners disagree about which condition they prefer, beyond chance and beyond the takes?

A mean at one half says nothing if half the panel wants the one and half the other. Two tests, and
both must speak:

1. *Spread of listeners.* Votes dealt out to listeners at random, each keeping his number of votes:
   the law of the spread if all share one coin, fair or not (multivariate hypergeometric).
2. *Labels of takes.* Listeners may disagree about takes although the change does nothing. So the
   spread is recomputed under relabelled takes, as in panel.analysis.attribution.permutation.

Of more than two conditions each two have a coin of their own, and the spread is summed over them.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution import draw
from panel.analysis.attribution.permutation import Attribution, permutation_test
from panel.analysis.counts import monte_carlo

SPREAD_DRAWS = 4_999
MOST_LABELINGS = 2_000
NOT_TRIED = Attribution(statistic=0.0, p=1.0, least_p=1.0, labelings=1, exact=True)
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Divided:
    """`spread`: SD of listeners' shares beyond binomial noise; the two p values."""

    spread: float
    p_listeners: float
    labels: Attribution

    @property
    def p(self) -> float:
        return max(self.p_listeners, self.labels.p)


def _dispersion(wins: Floats, n: Floats) -> Floats:
    """Σ_l (w_l − n_l s)² / (n_l s(1−s)), s the overall share, summed over pairs of conditions;
    shapes (..., pairs, listeners) -> (...)."""
    total = n.sum(axis=-1, keepdims=True)
    share = np.divide(
        wins.sum(axis=-1, keepdims=True), total, out=np.full_like(total, 0.5), where=total > 0
    )
    variance = n * share * (1 - share)
    out: Floats = np.divide(
        (wins - n * share) ** 2, variance, out=np.zeros_like(variance), where=variance > 0
    ).sum(axis=(-2, -1))
    return out


def _spread(wins: Floats, n: Floats) -> float:
    """SD of true shares between listeners by moments (share units), not below 0; one over all pairs
    of conditions, shapes (pairs, listeners)."""
    total = n.sum(axis=1, keepdims=True)
    share = np.divide(
        wins.sum(axis=1, keepdims=True), total, out=np.zeros_like(total), where=total > 0
    )
    between = np.sum((wins - n * share) ** 2) - np.sum(n * share * (1 - share))
    weight = np.sum(n * (n - 1))
    return float(np.sqrt(max(0.0, between / weight))) if weight > 0 else 0.0


def _by_condition_pair(counted: Floats, pair: Ints, votes: Floats, pairs: int) -> Floats:
    """Votes counted (labelings, kinds) of kinds that fall to `pair` under each labelling, by
    listener: (labelings, pairs, listeners)."""
    return np.stack([(counted * (pair == p)) @ votes for p in range(pairs)], axis=1)


def examine(
    winner: Ints,
    loser: Ints,
    listener: Ints,
    labels: Ints,
    rng: np.random.Generator,
    *,
    settled_above: float | None = None,
    units: Ints | None = None,
    lot: draw.Draw | None = None,
) -> Divided | None:
    """Test for disagreement. `winner`, `loser`, `listener` (votes,): codes; `labels` (takes,).
    `units` (takes,) and `lot`: each take's unit, and the conditions of the units with what the draw
    could have given; without them the takes, all of one draw.

    None unless two listeners have two votes each across two conditions. With `settled_above`, a p
    above that may be given as 1, and the other test left out: enough for a decision at that level,
    as both must speak.
    """
    listeners = int(listener.max(initial=-1)) + 1
    kinds, kind = np.unique(winner * labels.size + loser, return_inverse=True)
    won, lost = kinds // labels.size, kinds % labels.size
    cast = np.bincount(kind * listeners + listener, minlength=kinds.size * listeners)
    votes: Floats = cast.reshape(kinds.size, listeners).astype(float)
    pairs = list(combinations(range(int(labels.max()) + 1), 2))
    number = np.zeros((len(labels), len(labels)), np.int64)  # of a pair of conditions
    for i, (low, high) in enumerate(pairs):
        number[low, high] = number[high, low] = i

    def counts(visited: Ints) -> tuple[Floats, Floats]:
        """Votes for the later of each two conditions, and all: (labelings, pairs, listeners)."""
        winners, losers = visited[:, won], visited[:, lost]
        across = (winners != losers).astype(float)
        pair = number[winners, losers]
        return (
            _by_condition_pair(across * (winners > losers), pair, votes, len(pairs)),
            _by_condition_pair(across, pair, votes, len(pairs)),
        )

    wins, n = (of_one[0] for of_one in counts(labels[None, :]))
    if np.max(np.count_nonzero(n >= 2, axis=1), initial=0) < 2:
        return None

    def by_listeners() -> float:
        deals = [_Deal(w, m) for w, m in zip(wins, n, strict=True) if 0 < w.sum() < m.sum()]
        if not deals:  # all votes on each two conditions are one: nobody could differ less
            return 1.0
        # A stream of its own, so that what is drawn later does not depend on when drawing ended.
        source = rng.spawn(1)[0]
        return monte_carlo.p_value(
            lambda draws: np.sum([deal.drawn(source, draws) for deal in deals], axis=0),
            sum(deal.observed for deal in deals),
            SPREAD_DRAWS,
            settled_above=settled_above,
        )

    def dispersion(visited: Ints) -> Floats:
        return _dispersion(*counts(visited))

    def by_labels() -> Attribution:
        if units is None or lot is None:
            return permutation_test(
                dispersion, labels, rng, two_sided=False, interchangeable=True, most=MOST_LABELINGS
            )
        return draw.permutation_test(
            lambda visited: dispersion(visited[:, units]),
            lot,
            rng,
            two_sided=False,
            renaming="alike",
            most=MOST_LABELINGS,
        )

    def settled(p: float) -> bool:
        return settled_above is not None and p > settled_above

    spread = _spread(wins, n)
    if len(pairs) == 1:  # few relabellings: the quicker test first
        permuted = by_labels()
        return Divided(spread, 1.0 if settled(permuted.p) else by_listeners(), permuted)
    p_listeners = by_listeners()
    return Divided(spread, p_listeners, NOT_TRIED if settled(p_listeners) else by_labels())


class _Deal:
    """The votes on two conditions, (listeners,), dealt out anew: all deals have one overall share,
    so that the spread is compared over one and the same variance."""

    def __init__(self, wins: Floats, n: Floats) -> None:
        self.hands, self.won = n.astype(np.int64), int(wins.sum())
        self.expected = n * wins.sum() / n.sum()
        variance = self.expected * (1 - wins.sum() / n.sum())
        self.each = np.divide(1.0, variance, out=np.zeros_like(n), where=n > 0)
        self.observed = float((wins - self.expected) ** 2 @ self.each)

    def drawn(self, rng: np.random.Generator, draws: int) -> Floats:
        """Dispersion of so many deals."""
        hands = rng.multivariate_hypergeometric(self.hands, self.won, size=draws, method="count")
        out: Floats = (hands - self.expected) ** 2 @ self.each
        return out
