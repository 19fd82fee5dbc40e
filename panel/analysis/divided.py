"""Do listeners disagree about which condition they prefer, beyond chance and beyond the takes?

A mean at one half says nothing if half the panel wants the one and half the other. Two tests, and
both must speak:

1. *Spread of listeners.* Votes dealt out to listeners at random, each keeping his number of votes:
   the law of the spread if all share one coin, fair or not (multivariate hypergeometric).
2. *Labels of takes.* Listeners may disagree about takes although the change does nothing. So the
   spread is recomputed under relabelled takes, as in panel.analysis.attribution.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution import Attribution, permutation_test

SPREAD_DRAWS = 4_999
MOST_LABELINGS = 2_000
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
    """Σ_l (w_l − n_l s)² / (n_l s(1−s)), s the overall share; shapes (..., listeners) -> (...)."""
    total = n.sum(axis=-1, keepdims=True)
    share = np.divide(
        wins.sum(axis=-1, keepdims=True), total, out=np.full_like(total, 0.5), where=total > 0
    )
    variance = n * share * (1 - share)
    out: Floats = np.divide(
        (wins - n * share) ** 2, variance, out=np.zeros_like(variance), where=variance > 0
    ).sum(axis=-1)
    return out


def _spread(wins: Floats, n: Floats) -> float:
    """SD of true shares between listeners by moments (share units), not below 0."""
    keep = n > 0
    w, m = wins[keep], n[keep]
    if m.sum() == 0 or m.size < 2:
        return 0.0
    s = w.sum() / m.sum()
    between = np.sum((w - m * s) ** 2) - np.sum(m) * s * (1 - s)
    weight = np.sum(m * (m - 1))
    return float(np.sqrt(max(0.0, between / weight))) if weight > 0 else 0.0


def examine(
    winner: Ints, loser: Ints, listener: Ints, labels: Ints, rng: np.random.Generator
) -> Divided | None:
    """Test for disagreement. `winner`, `loser`, `listener` (votes,): codes; `labels` (takes,).

    None unless two listeners have two votes each across the conditions.
    """
    listeners = int(listener.max(initial=-1)) + 1
    onehot = np.zeros((winner.size, listeners))
    onehot[np.arange(winner.size), listener] = 1.0

    def counts(visited: Ints) -> tuple[Floats, Floats]:
        across = (visited[:, winner] != visited[:, loser]).astype(float)
        second = visited[:, winner] == visited.max(axis=1, keepdims=True)
        return (across * second) @ onehot, across @ onehot

    wins, n = counts(labels[None, :])
    if np.count_nonzero(n[0] >= 2) < 2:
        return None
    observed = float(_dispersion(wins, n)[0])
    total = int(wins.sum())
    drawn = rng.multivariate_hypergeometric(
        n[0].astype(np.int64), total, size=SPREAD_DRAWS, method="marginals"
    ).astype(float)
    simulated = _dispersion(drawn, np.broadcast_to(n[0], drawn.shape))
    reached = int(np.count_nonzero(simulated >= observed - 1e-9 * max(1.0, observed)))
    return Divided(
        spread=_spread(wins[0], n[0]),
        p_listeners=(1 + reached) / (1 + SPREAD_DRAWS),
        labels=permutation_test(
            lambda visited: _dispersion(*counts(visited)),
            labels,
            rng,
            two_sided=False,
            interchangeable=True,
            most=MOST_LABELINGS,
        ),
    )
