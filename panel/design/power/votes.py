"""How many votes and listeners it takes: exact for fixed plans and for those looked at any time.

Power of an exact test is a saw-tooth over the number of votes: one vote more can mean less. So
what is shown is the power at the planned number, not a smooth formula.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from panel.analysis.counts import anytime, exact, shares
from panel.errors import BadInput
from panel.procedures.base import Procedure
from panel.procedures.catalogue import procedure

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
    """Votes until an anytime plan may say that chance is beaten, looked at after every vote.

    `reached`: chance to get there within `cap` votes. `mean`: expected votes of those who do;
    `median`, `by_80`, `by_90`: votes by which half, 80 % and 90 % of *all* have got there, None if
    fewer do. Exact.
    """

    reached: float
    mean: float | None
    median: int | None
    by_80: int | None
    by_90: int | None
    cap: int


def share_right(code: str, *, dprime: float | None = None, hearing: float | None = None) -> float:
    """Probability of a right answer, from d′ or from the share `hearing` who always hear.

    A directed procedure takes d′ (Φ(d′/√2)) or a share of votes for one side beyond chance.
    Same–different: with the criterion that serves best. ISO 4120, annex A: pc = pd + g (1 − pd).
    Raises BadInput unless exactly one is given.
    """
    kind = procedure(code)
    if (dprime is None) == (hearing is None):
        raise BadInput("Give either d′ or the share who can hear it.")
    if hearing is not None:
        if not 0 <= hearing <= 1:
            raise BadInput("The share who can hear it must lie between 0 and 1.")
        return kind.chance + (1 - kind.chance) * hearing
    return kind.share_right(dprime or 0.0)


def power(
    code: str, votes: int, right: float, alpha: float = 0.05, *, anytime_valid: bool = False
) -> float:
    """Exact power of the test against chance with that many votes across conditions.

    One-sided for procedures with a right answer, the two-sided sign test for directed ones; or of
    the test that is valid at every look, looked at after every vote.
    """
    if anytime_valid:
        return float(rejected_by(code, right, alpha, votes)[-1]) if votes else 0.0
    kind = procedure(code)
    if kind.directed:
        return exact.power_two_sided(votes, right, alpha)
    return exact.power(votes, kind.chance, right, alpha)


def power_curve(
    code: str, right: float, alpha: float, votes: Sequence[int], *, anytime_valid: bool = False
) -> list[tuple[int, float]]:
    """(votes, exact power) for a picture, saw-tooth and all."""
    if anytime_valid:
        total = rejected_by(code, right, alpha, max(votes))
        return [(n, float(total[n - 1])) for n in votes]
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


def given_across_share(cells: Sequence[Sequence[int]]) -> float:
    """The same over the round robins within strata; `cells[s][c]`: takes of condition c in s."""
    pairs = [sum(row) * (sum(row) - 1) // 2 for row in cells]
    return sum(n * across_share(row) for n, row in zip(pairs, cells, strict=True)) / sum(pairs)


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

    `votes_each`: votes across conditions of one listener. The bound (panel.analysis.counts.shares)
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


@lru_cache(maxsize=64)
def _least_right(chance: float, directed: bool, alpha: float, cap: int) -> NDArray[np.int64]:
    """(cap,) least number right (or least majority) with which each vote's look rejects.

    More right, more evidence: so the least is found by halving. n + 1 where no number does.
    """
    n = np.arange(1, cap + 1)
    low, high = (n + 1) // 2 if directed else np.zeros_like(n), n + 1
    while np.any(low < high):
        middle = (low + high) // 2
        x = np.minimum(middle, n)
        path = (
            anytime.log_e_values_two_sided(x, n) if directed else anytime.log_e_values(x, n, chance)
        )
        enough = (path >= -math.log(alpha)) | (middle > n)
        low, high = np.where(enough, low, middle + 1), np.where(enough, middle, high)
    low.flags.writeable = False
    return low


@lru_cache(maxsize=256)
def rejected_by(code: str, right: float, alpha: float, cap: int) -> NDArray[np.float64]:
    """Chance that the anytime test has rejected at or before each of `cap` votes, (cap,); exact.

    Recursion over votes n on the probability of every number right that has not rejected yet.
    """
    kind = procedure(code)
    least = _least_right(kind.chance, kind.directed, alpha, cap)
    waiting, gone = np.zeros(cap + 1), np.zeros(cap)
    waiting[0] = 1.0
    for n in range(1, cap + 1):
        waiting[1 : n + 1] = waiting[1 : n + 1] * (1 - right) + waiting[:n] * right
        waiting[0] *= 1 - right
        bar = least[n - 1]
        gone[n - 1] = waiting[bar : n + 1].sum()
        waiting[bar : n + 1] = 0.0
        if kind.directed and 2 * bar > n:
            gone[n - 1] += waiting[: n - bar + 1].sum()
            waiting[: n - bar + 1] = 0.0
    total: NDArray[np.float64] = np.cumsum(gone)
    total.flags.writeable = False
    return total


def anytime_cost(code: str, right: float, alpha: float = 0.05, *, cap: int = 4000) -> AnytimeCost:
    """Votes across conditions until the anytime-valid test says that chance is beaten.

    Mixture martingale, looked at after every vote (Robbins 1970; Ville 1939).
    """
    total = rejected_by(code, right, alpha, cap)
    reached = float(total[-1])

    def by(share: float) -> int | None:
        return int(np.searchsorted(total, share)) + 1 if reached >= share else None

    each = np.diff(total, prepend=0.0)
    return AnytimeCost(
        reached=reached,
        mean=float(each @ np.arange(1, cap + 1) / reached) if reached > 0 else None,
        median=by(0.5),
        by_80=by(0.8),
        by_90=by(0.9),
        cap=cap,
    )


def trial_seconds(kind: Procedure, excerpt_seconds: float) -> float:
    """Rough length of a trial: each sample once and a half, and time to decide.

    Common practice, no source; `kind.seconds` is the same for 5 s excerpts.
    """
    return kind.samples * 1.5 * excerpt_seconds + (kind.seconds - kind.samples * 7.5)
