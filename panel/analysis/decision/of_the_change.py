"""Is it the change? The test that belongs to a question's procedure and to what was sampled.

The label belongs to the unit of the sampling (panel.study.sampling): a specimen where the claim is
about the kind, else a take; and it is permuted among the units of a block, that is of the same
sessions, alone. A directed claim speaks of people too: its p is the largest of three
(panel.analysis.attribution.largest_of_three).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution import (
    across_kinds,
    dealt_by_condition,
    largest_of_three,
    permutation,
    several_factors,
)
from panel.analysis.attribution.draw import Draw, Renaming, permutation_test
from panel.analysis.attribution.largest_of_three import LargestOfThree
from panel.analysis.attribution.permutation import Attribution
from panel.analysis.decision.coded import Coded
from panel.study.plan import Contrast
from panel.study.sampling import Sampling

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class OfTheChange:
    """`attribution`: what is claimed by, its p the largest of three where the question is directed;
    these are `p_units`, `p_listeners` and `p_both`, of which an undirected one has the first alone.
    `people`: the three by pair of conditions, in their order.
    """

    attribution: Attribution
    p_units: float
    p_listeners: float | None = None
    p_both: float | None = None
    people: tuple[LargestOfThree, ...] = ()

    @staticmethod
    def of_units(found: Attribution) -> "OfTheChange":
        return OfTheChange(found, found.p)

    @staticmethod
    def of_people(found: Attribution, people: LargestOfThree) -> "OfTheChange":
        return OfTheChange(found, people.p_units, people.p_listeners, people.over_both.p, (people,))


@dataclass(frozen=True)
class Units:
    """`of` (takes,): each take's unit; `draw`: the units' conditions, and what could have been."""

    of: Ints
    draw: Draw

    @staticmethod
    def sampled(sampling: Sampling, take_ids: Sequence[str], labels: Ints) -> "Units":
        """Of takes with these conditions; their units are numbered anew, as some may be missing."""
        there, of = np.unique([sampling.unit_of[take] for take in take_ids], return_inverse=True)
        sides = np.zeros(there.size, np.int64)
        sides[of] = labels
        blocks = np.asarray(sampling.blocks, np.int64)[there]
        return Units(of.astype(np.int64), Draw.within(sides, blocks))


def renaming(contrast: Contrast, sampling: Sampling) -> Renaming:
    """What leaves the statistic of the contrast's test as it is."""
    if contrast.is_dose:
        return "none"
    by_block = not contrast.directed and sampling.scope != "kind"
    return "each" if by_block and len(set(sampling.blocks)) > 1 else "alike"


def least_p(contrast: Contrast, sampling: Sampling) -> float:
    """The smallest p that the test can give with the contrast's units."""
    if not contrast.asked_by.round_robin:  # no relabelling, hence no floor but in takes
        enough = min(len(c.takes) for c in contrast.conditions) >= dealt_by_condition.LEAST_TAKES
        return 0.0 if enough else 1.0
    draw = Draw.within(sampling.labels, sampling.blocks)
    return draw.least_p(renaming(contrast, sampling))


def examine(
    contrast: Contrast,
    sampling: Sampling,
    coded: Coded,
    rng: np.random.Generator,
    *,
    settled_above: float | None = None,
) -> OfTheChange | None:
    """The test on these votes; None where they are of no pair that could tell.

    With `settled_above`, a p that is sure to lie above it may be given as any that does.
    """
    if coded.at_hand is not None:
        met = np.column_stack([coded.first, coded.second, coded.at_hand])
        return OfTheChange.of_units(dealt_by_condition.test(coded.y, met, coded.labels))
    units = Units.sampled(sampling, coded.take_ids, coded.labels)
    if not contrast.directed:
        found = _undirected(contrast, sampling, coded, units, rng)
        return None if found is None else OfTheChange.of_units(found)
    if contrast.is_dose:
        return _trend_of_people(contrast, coded, units, rng, settled_above)
    return _directed(coded, units, rng, settled_above)


def _undirected(
    contrast: Contrast, sampling: Sampling, coded: Coded, units: Units, rng: np.random.Generator
) -> Attribution | None:
    if contrast.is_dose:
        statistic = permutation.distance_trend(coded.table, sorted(contrast.doses_on_scale))
        return permutation_test(
            lambda visited: statistic(visited[:, units.of]),
            units.draw,
            rng,
            two_sided=False,
            renaming="none",
        )
    if sampling.scope == "kind":
        return across_kinds.undirected(coded.table, units.of, units.draw, rng)
    return several_factors.undirected_of_draw(coded.table, units.draw, rng)


def _directed(
    coded: Coded, units: Units, rng: np.random.Generator, settled_above: float | None
) -> OfTheChange:
    """Two conditions: the largest of three. More: the spread of their mean scores over units, and
    over listeners the two that are furthest apart, at the price of all such pairs."""
    pairs = list(combinations(range(units.draw.sides), 2))
    if len(pairs) == 1:
        people = _of_two(coded, units, pairs[0], rng, settled_above)
        told = _told(people, units.draw, "alike")
        return OfTheChange.of_people(told, people)
    spread = _spread(coded, units, rng)
    if settled_above is not None and spread.p > settled_above:
        return OfTheChange.of_units(spread)
    each = tuple(_of_two(coded, units, pair, rng, None) for pair in pairs)
    clearest = min(each, key=lambda one: max(one.p_listeners, one.over_both.p))
    listeners, both = (
        min(1.0, len(pairs) * p) for p in (clearest.p_listeners, clearest.over_both.p)
    )
    found = replace(spread, p=max(spread.p, listeners, both))
    return OfTheChange(found, spread.p, listeners, both, each)


def _told(people: LargestOfThree, draw: Draw, renaming: Renaming) -> Attribution:
    exact = draw.labelings <= permutation.MOST_EXACT
    return Attribution(people.mean, people.p, people.least_p, draw.distinct(renaming), exact)


def _spread(coded: Coded, units: Units, rng: np.random.Generator) -> Attribution:
    """Variance of the conditions' mean scores, under what the draw could have given."""
    scores = permutation.take_scores(coded.table)
    of_unit = np.bincount(units.of, weights=scores) / np.bincount(units.of)
    draw = units.draw

    def spread(visited: Ints) -> Floats:
        means = [
            np.where(visited == side, of_unit, 0.0).sum(axis=1) / (visited == side).sum(axis=1)
            for side in range(draw.sides)
        ]
        out: Floats = np.var(means, axis=0)
        return out

    return permutation_test(spread, draw, rng, two_sided=False, renaming="alike")


def _of_two(
    coded: Coded,
    units: Units,
    pair: tuple[int, int],
    rng: np.random.Generator,
    settled_above: float | None,
) -> LargestOfThree:
    first, second = units.of[coded.first], units.of[coded.second]
    there = np.isin(units.draw.labels, pair)
    use = there[first] & there[second]
    number = np.cumsum(there) - 1
    listener = np.unique(coded.listener[use], return_inverse=True)[1]
    return largest_of_three.directed(
        coded.value[use],
        listener.astype(np.int64),
        number[first[use]],
        number[second[use]],
        _of_pair(units.draw, pair),
        rng,
        settled_above=settled_above,
    )


def _of_pair(draw: Draw, pair: tuple[int, int]) -> Draw:
    """The draw of the units of two sides, which are 0 and 1 then."""
    there = np.isin(draw.labels, pair)
    return Draw.within((draw.labels[there] == pair[1]).astype(np.int64), draw.block[there])


def _trend_of_people(
    contrast: Contrast,
    coded: Coded,
    units: Units,
    rng: np.random.Generator,
    settled_above: float | None,
) -> OfTheChange:
    """Slope of the units' scores on dose, joined to how listeners lean."""
    people = largest_of_three.trend(
        coded.value,
        coded.listener,
        units.of[coded.first],
        units.of[coded.second],
        units.draw,
        sorted(contrast.doses_on_scale),
        rng,
        settled_above=settled_above,
    )
    told = _told(people, units.draw, "none")
    return OfTheChange.of_people(told, people)
