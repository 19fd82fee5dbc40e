"""What cannot be taken back: hours, wear, heat, a cut. Has it changed more than one that rested?

On one specimen the change and the time between two recordings are one, and no relabelling parts
them. So something rests meanwhile and is recorded at the same times.

*Several specimens by lot.* Of like specimens some are drawn to be aged, the rest are companions;
each is recorded before and after. Each specimen's number is the share right (directed: the share
for "after") over pairs of its own before and own after; statistic: mean of the aged less mean of
the resting. The lot makes it exact: labels are permuted over specimens, two-sided, for a shift that
all share may hide a growth or turn it round, but never make one.

*One pair over sessions.* With one specimen aged and one companion the sessions are the sample:
before and after, several of each, each set up afresh. Directed: the sessions' shares for the aged
against its companion, after against before, by Welch's t (1947, Biometrika 34, 28–35). Undirected:
the share right of the aged's before against its after, less the same of the companion, by leaving
out one session at a time (Efron & Stein 1981, Ann. Statist. 9, 586–596), with Welch's degrees of
freedom. It says that this one has changed more than its companion, never that ageing does.

Directed claims speak of people too: they are joined to listeners by the largest of three
(panel.analysis.attribution.largest_of_three).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from panel.analysis.attribution import largest_of_three
from panel.analysis.attribution.draw import Draw, permutation_test
from panel.analysis.attribution.largest_of_three import LargestOfThree
from panel.analysis.attribution.permutation import Attribution
from panel.analysis.attribution.variance_parts import Part
from panel.analysis.counts import shares
from panel.errors import BadInput

LEAST_SESSIONS = 3  # on either side of the change
NOT_TRIED = Attribution(statistic=0.0, p=1.0, least_p=1.0, labelings=1, exact=True)
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class MoreThanCompanion:
    """`excess`: share right of the aged less its companion's; `p`: two-sided; `freedom`: Welch's.

    "Changed more" is said where `excess` is above 0 and p small.
    """

    excess: float
    p: float
    freedom: float


def numbers_of_specimens(
    y: Floats, listener: Ints, specimen: Ints, excerpt: Ints, specimens: int
) -> Floats:
    """Each specimen's own share beyond that of the excerpts it was heard with, (specimens,); nan
    for one without votes. `y`, `listener`, `specimen`, `excerpt`: (votes,); a listener's votes
    weigh together 1."""
    weight = shares.weights_of_votes(listener)
    of_excerpt = np.bincount(excerpt, weights=weight * y) / np.maximum(
        np.bincount(excerpt, weights=weight), 1e-300
    )
    beyond = np.bincount(
        specimen, weights=weight * (y - of_excerpt[excerpt]), minlength=specimens
    ).astype(float)
    n = np.bincount(specimen, weights=weight, minlength=specimens).astype(float)
    out: Floats = np.divide(beyond, n, out=np.full_like(n, np.nan), where=n > 0)
    return out


def undirected_by_lot(
    y: Floats,
    listener: Ints,
    specimen: Ints,
    excerpt: Ints,
    draw: Draw,
    rng: np.random.Generator,
) -> Attribution:
    """Did the aged ones (label 1) change otherwise than the resting (0)? Two-sided.

    Votes on pairs of a specimen's own before and own after: `y` (votes,): right or not; `listener`,
    `specimen`, `excerpt` (votes,): codes from 0; `draw`: which were drawn to be aged. p is 1 where
    a specimen has no votes. Raises BadInput unless the draw has two sides.
    """
    _check(specimen, draw)
    if not y.size:
        return NOT_TRIED
    numbers = numbers_of_specimens(y, listener, specimen, excerpt, draw.labels.size)
    return NOT_TRIED if np.isnan(numbers).any() else _by_lot(numbers, draw, rng)


def directed_by_lot(
    y: Floats,
    listener: Ints,
    specimen: Ints,
    excerpt: Ints,
    draw: Draw,
    rng: np.random.Generator,
) -> LargestOfThree:
    """Is "after" chosen more often of the aged ones (label 1) than of the resting (0), or less?

    As `undirected_by_lot`, `y` (votes,): 1 for after, 0 for before, 1/2 for neither. A listener's
    score is his share for after of the aged less that of the resting; who has not heard both has
    none.
    """
    _check(specimen, draw)
    if not y.size:
        return largest_of_three.NOTHING
    numbers = numbers_of_specimens(y, listener, specimen, excerpt, draw.labels.size)
    if np.isnan(numbers).any():
        return largest_of_three.NOTHING
    part = largest_of_three.welch([numbers[draw.labels == side] for side in (0, 1)])
    scores = _differences(y, listener, draw.labels[specimen] == 1)
    return largest_of_three.join(scores, _by_lot(numbers, draw, rng), part, rng)


def directed_over_sessions(
    y: Floats, listener: Ints, session: Ints, after: NDArray[np.bool_], rng: np.random.Generator
) -> LargestOfThree:
    """Is the aged one chosen over its companion more often after than before, or less? Two-sided.

    Votes on the aged one against its companion, both of one session: `y` (votes,): 1 for the aged,
    1/2 for neither; `listener`, `session` (votes,): codes from 0; `after` (sessions,): whether the
    session came after. p is 1 with fewer than LEAST_SESSIONS heard before or after.
    """
    if not y.size:
        return largest_of_three.NOTHING
    weight = shares.weights_of_votes(listener)
    n = np.bincount(session, weights=weight, minlength=after.size)
    chosen = np.bincount(session, weights=weight * y, minlength=after.size)
    earlier, later = (chosen[side] / n[side] for side in ((n > 0) & ~after, (n > 0) & after))
    if min(earlier.size, later.size) < LEAST_SESSIONS:
        return largest_of_three.NOTHING
    part = largest_of_three.welch([earlier, later])
    p = _two_sided(float(later.mean() - earlier.mean()), part)
    return largest_of_three.join(_differences(y, listener, after[session]), p, part, rng)


def undirected_over_sessions(
    y: Floats,
    listener: Ints,
    earlier: Ints,
    later: Ints,
    aged: NDArray[np.bool_],
    after: NDArray[np.bool_],
) -> MoreThanCompanion:
    """Is the aged one's after told from its before more often than the companion's, or less?

    Two-sided although only "more" is claimed: one that wanders more from session to session than
    its companion is told apart more often too, and one-sided that was called growth in 8 to 14 % of
    simulated studies in which the one wandered by 0.5 d′ and the other by 0.125.

    Votes on pairs of one specimen's recordings, before against after: `y` (votes,): right or not;
    `listener` (votes,): codes from 0; `earlier`, `later` (votes,): the sessions of the two; `aged`
    (votes,): whether the pair is of the aged one; `after` (sessions,): whether a session came
    after. p is 1 with fewer than LEAST_SESSIONS on a side, or where leaving one out leaves no votes
    of either. Raises BadInput for a pair that is not one of before and one of after.
    """
    if np.any(after[earlier]) or not np.all(after[later]):
        raise BadInput(
            "A pair of recordings is not one of before and one of after.",
            hint="Give the session before first, and the session after second.",
        )

    def excess(use: NDArray[np.bool_]) -> float:
        sides = [shares.of_listeners(y[use & kind], listener[use & kind]) for kind in (aged, ~aged)]
        return float(sides[0].mean() - sides[1].mean()) if all(map(len, sides)) else math.nan

    whole = excess(np.ones(y.size, bool))
    parts: list[Part] = []
    for own in (np.unique(earlier), np.unique(later)):
        if own.size < LEAST_SESSIONS:
            return MoreThanCompanion(0.0 if math.isnan(whole) else whole, 1.0, 0.0)
        without = np.array([excess((earlier != s) & (later != s)) for s in own])
        parts.append(((own.size - 1) * float(np.var(without)), own.size - 1))
    variance, freedom = largest_of_three.together(parts)
    if math.isnan(whole) or not variance > 0:
        return MoreThanCompanion(0.0 if math.isnan(whole) else whole, 1.0, 0.0)
    return MoreThanCompanion(whole, _two_sided(whole, (variance, freedom)), freedom)


def _check(specimen: Ints, draw: Draw) -> None:
    if draw.sides != 2 or draw.labels.size <= int(specimen.max(initial=-1)):
        raise BadInput(
            "The lot does not say of every specimen whether it was aged or rested.",
            hint="Name the specimens that were drawn to be aged, and their companions.",
        )


def _by_lot(numbers: Floats, draw: Draw, rng: np.random.Generator) -> Attribution:
    def difference(visited: Ints) -> Floats:
        aged = visited == 1
        n = aged.sum(axis=1)
        out: Floats = aged @ numbers / n - ~aged @ numbers / (numbers.size - n)
        return out

    return permutation_test(difference, draw, rng, two_sided=True, renaming="alike")


def _differences(y: Floats, listener: Ints, side: NDArray[np.bool_]) -> Floats:
    """Of each listener who has votes on both sides: his share on the one less on the other."""
    means = []
    for use in (side, ~side):
        n = np.bincount(listener[use], minlength=int(listener.max()) + 1)
        total = np.bincount(listener[use], weights=y[use], minlength=n.size)
        means.append(np.divide(total, n, out=np.full(n.size, np.nan), where=n > 0))
    difference: Floats = means[0] - means[1]
    return difference[~np.isnan(difference)]


def _two_sided(difference: float, part: Part) -> float:
    variance, freedom = part
    if not variance > 0:  # nothing varies: nothing tells how far off the difference is
        return 1.0
    return float(2 * student.sf(abs(difference) / math.sqrt(variance), freedom))
