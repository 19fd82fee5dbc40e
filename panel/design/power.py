"""How many votes and listeners it takes: exact for fixed plans, simulated where nothing is exact.

Power of an exact test is a saw-tooth over the number of votes: one vote more can mean less. So
what is shown is the power at the planned number, not a smooth formula.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from panel.analysis import anytime, exact, shares
from panel.analysis.thurstone import CURVES
from panel.design.procedures import Procedure, procedure
from panel.errors import BadInput

MOST_VOTES = 100_000
PANELS, NEAR = 1000, 3  # simulated panels; how many either side of the quantile are bounded


@dataclass(frozen=True)
class VotesNeeded:
    """`first`: least number of votes that reaches the power; `stays`: from here on it never falls
    below it again. None where no number up to 100,000 does."""

    first: int | None
    stays: int | None


@dataclass(frozen=True)
class AnytimeCost:
    """Votes until an anytime plan may say "heard": of the simulated runs that got there within
    `cap` votes (share `reached`), mean, median and the number by which 80 % of *all* runs had
    (None if fewer did)."""

    reached: float
    mean: float
    median: float
    by_80: float | None
    cap: int


def share_right(code: str, *, dprime: float | None = None, hearing: float | None = None) -> float:
    """Probability of a right answer, from d′ or from the share `hearing` who always hear.

    A directed procedure takes d′ (Φ(d′/√2)) or a share of votes for one side beyond chance.
    ISO 4120, annex A: pc = pd + g (1 − pd). Raises BadInput unless exactly one is given.
    """
    kind = procedure(code)
    if (dprime is None) == (hearing is None):
        raise BadInput("Give either d′ or the share who can hear it.")
    if hearing is not None:
        if not 0 <= hearing <= 1:
            raise BadInput("The share who can hear it must lie between 0 and 1.")
        return kind.chance + (1 - kind.chance) * hearing
    return float(CURVES[kind.curve].probability(dprime or 0.0))


def power(code: str, votes: int, right: float, alpha: float = 0.05) -> float:
    """Exact power of the test against chance with that many votes across conditions.

    One-sided for procedures with a right answer, the two-sided sign test for directed ones.
    """
    kind = procedure(code)
    if kind.directed:
        return exact.power_two_sided(votes, right, alpha)
    return exact.power(votes, kind.chance, right, alpha)


def power_curve(
    code: str, right: float, alpha: float, votes: Sequence[int]
) -> list[tuple[int, float]]:
    """(votes, exact power) for a picture, saw-tooth and all."""
    return [(n, power(code, n, right, alpha)) for n in votes]


def votes_needed(code: str, right: float, alpha: float = 0.05, wanted: float = 0.8) -> VotesNeeded:
    """Votes for a power of `wanted`, exactly.

    `stays` is found by looking on from `first` until the power has held for a whole further
    stretch as long as the saw-tooth can last.
    """
    kind = procedure(code)
    first = exact.least_n(
        kind.chance, right, alpha, wanted, two_sided=kind.directed, most=MOST_VOTES
    )
    if first is None:
        return VotesNeeded(None, None)
    stays, n = first, first
    # A tooth is about 1/chance votes long; its depth shrinks as 1/sqrt(n), so with n votes the
    # last dip lies within a few per cent of n above the first crossing.
    while n < min(MOST_VOTES, stays + 12 + stays // 10):
        if power(code, n, right, alpha) < wanted:
            stays = n + 1
        n += 1
    return VotesNeeded(first, stays)


def across_share(sizes: Sequence[int]) -> float:
    """Share of a round robin's pairs that lie across conditions; `sizes`: takes of each."""
    total = sum(sizes)
    pairs = total * (total - 1) // 2
    within = sum(size * (size - 1) // 2 for size in sizes)
    return (pairs - within) / pairs


def listeners_for_votes(votes: int, votes_per_listener: int, sizes: Sequence[int]) -> int:
    """Listeners who together give that many votes across conditions, on average."""
    return math.ceil(votes / (votes_per_listener * across_share(sizes)) - 1e-9)


def people_for_limit(
    chance: float, limit: float, wanted: float = 0.8, confidence: float = 0.95
) -> int | None:
    """People with **one vote each** so that, when nobody hears, the exact upper bound on the share
    who can comes under `limit` with probability `wanted`: the first such number, or None."""
    for people in range(1, 5000):
        most = exact.largest_below_limit(people, chance, limit, 1 - confidence)
        if most is not None and exact.p_less(most, people, chance) >= wanted:
            return people
    return None


def listeners_for_limit(
    rng: np.random.Generator,
    chance: float,
    limit: float,
    votes_each: int,
    wanted: float = 0.8,
    confidence: float = 0.95,
    *,
    anytime_valid: bool = False,
    most: int = 2000,
) -> int | None:
    """Listeners with several votes each for the same, by simulating the bound the verdict uses.

    `votes_each`: votes across conditions of one listener. The bound (panel.analysis.shares)
    treats the listener as the unit, so that clustered votes cannot feign certainty. Panels that
    only guess are simulated and ranked by their mean; the bound is worked out for those about
    the `wanted` quantile. None where `most` listeners would not do.
    """

    def reached(count: int) -> bool:
        scores = rng.binomial(votes_each, chance, size=(PANELS, count)) / votes_each
        ranked = scores[np.argsort(scores.mean(axis=1), kind="stable")]
        middle = round(wanted * PANELS)
        near = ranked[middle - NEAR : middle + NEAR + 1]
        bounds = [
            shares.share_upper(panel, chance, confidence, anytime=anytime_valid) for panel in near
        ]
        return float(np.median(bounds)) < limit

    low, high = 0, 4
    while not reached(high):
        if high == most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > max(1, high // 50):
        middle = (low + high) // 2
        if reached(middle):
            high = middle
        else:
            low = middle
    return high


def anytime_cost(
    rng: np.random.Generator,
    code: str,
    right: float,
    alpha: float = 0.05,
    *,
    cap: int = 1000,
    runs: int = 2000,
) -> AnytimeCost:
    """Votes across conditions until the anytime-valid test says "heard", by simulation.

    Mixture martingale, looked at after every vote (Robbins 1970; Ville 1939).
    """
    kind = procedure(code)
    n = np.arange(1, cap + 1)
    first = np.full(runs, cap + 1)
    for run in range(runs):
        x = np.cumsum(rng.random(cap) < right)
        path = (
            anytime.log_e_values_two_sided(x, n)
            if kind.directed
            else anytime.log_e_values(x, n, kind.chance)
        )
        passed = np.flatnonzero(path >= -math.log(alpha))
        if passed.size:
            first[run] = passed[0] + 1
    there = first[first <= cap]
    quantile = float(np.quantile(first, 0.8, method="inverted_cdf"))
    return AnytimeCost(
        reached=float(np.mean(first <= cap)),
        mean=float(there.mean()) if there.size else math.nan,
        median=float(np.median(there)) if there.size else math.nan,
        by_80=quantile if quantile <= cap else None,
        cap=cap,
    )


def trial_seconds(kind: Procedure, excerpt_seconds: float) -> float:
    """Rough length of a trial: each sample once and a half, and time to decide.

    Common practice, no source; `kind.seconds` is the same for 5 s excerpts.
    """
    return kind.samples * 1.5 * excerpt_seconds + (kind.seconds - kind.samples * 7.5)
