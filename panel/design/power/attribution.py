"""How likely a real difference is also attributed to the change, by simulating takes.

Takes of a condition scatter about its place on the perceptual scale (`take_spread`, in d′);
listeners differ in sensitivity (log-normal, `listener_spread`). A round robin of the takes is put
to them, and condition labels are permuted over takes, as the verdict does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from panel.analysis.attribution import permutation
from panel.design.schedule import round_robin_pairs
from panel.errors import BadInput
from panel.procedures.catalogue import procedure


@dataclass(frozen=True)
class AttributionPower:
    """Share of simulated studies with an attribution p at or under alpha; `runs` of them."""

    power: float
    runs: int


def attribution_power(
    rng: np.random.Generator,
    code: str,
    sizes: Sequence[int],
    dprime: float,
    *,
    listeners: int,
    votes_each: int,
    take_spread: float = 0.25,
    listener_spread: float = 0.5,
    alpha: float = 0.05,
    hearing: float = 1.0,
    doses: Sequence[float] | None = None,
    runs: int = 300,
) -> AttributionPower:
    """Power of attribution for conditions with `sizes` takes, the last `dprime` from the first.

    `doses`, on the declared scale: places in proportion to them, and a trend is tested; without
    them the conditions are two.

    `votes_each`: votes of one listener over the whole round robin, within pairs included.
    `hearing`: share of listeners who hear anything at all; 1 by default.
    """
    kind = procedure(code)
    curve = kind.curve
    if curve is None:
        raise BadInput(f"{kind.name} has no curve to simulate by.")
    takes = sum(sizes)
    labels = np.repeat(np.arange(len(sizes)), sizes)
    steps = np.arange(len(sizes)) if doses is None else np.asarray(doses, float)
    steps = (steps - steps[0]) / (steps[-1] - steps[0])
    pairs = np.array([[int(a), int(b)] for a, b in round_robin_pairs(_names(takes))])
    passed = 0
    for _ in range(runs):
        place = steps[labels] * dprime + take_spread * rng.standard_normal(takes)
        keen = np.exp(listener_spread * rng.standard_normal(listeners))
        keen *= rng.random(listeners) < hearing
        # Decks are dealt on from listener to listener: consecutive cards of shuffled decks.
        total = listeners * votes_each
        decks = -(-total // len(pairs))
        order = np.concatenate([rng.permutation(len(pairs)) for _ in range(decks)])[:total]
        first, second = pairs[order, 0], pairs[order, 1]
        apart = (place[second] - place[first]) * np.repeat(keen, votes_each)
        right = rng.random(total) < curve.probability(apart)
        table = permutation.PairTable.count(
            first.tolist(), second.tolist(), [0] * total, right.tolist(), takes
        )
        scores = permutation.take_scores(table)
        if doses is None and kind.directed:
            result = permutation.directed(scores, labels, rng)
        elif doses is None:
            result = permutation.undirected(table, labels, rng)
        elif kind.directed:
            result = permutation.trend_directed(scores, labels, doses, rng)
        else:
            result = permutation.trend_undirected(table, labels, doses, rng)
        passed += result.p <= alpha
    return AttributionPower(passed / runs, runs)


def _names(takes: int) -> list[str]:
    return [f"{index:04d}" for index in range(takes)]
