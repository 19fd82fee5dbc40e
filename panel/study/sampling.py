"""What was sampled of a contrast, and how far a claim about it may reach.

Takes are of specimens, recorded in sessions. A claim about a kind needs several specimens of it,
one about two specimens several takes of each, recorded in an order that tells the change from
drift; anything less speaks of the recordings alone.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from panel.study.conditions import Condition
from panel.study.documents import Json
from panel.study.factors import TakeLog

Scope = Literal["recordings", "specimens", "kind"]
SCOPES: tuple[Scope, ...] = ("recordings", "specimens", "kind")

# Why a claim can speak of nothing but these recordings.
NOT_SAMPLED = (
    "no_specimen",  # a take does not say what it is of
    "sessions_unlogged",  # a take does not say in which session it was recorded
    "different_sessions",  # two conditions were never recorded in one session
    "in_one_go",  # two conditions were recorded one after the other, the same way each time
)
# Why it does not speak of the kind, where it speaks of these specimens.
NOT_THE_KIND = (
    "given",  # takes are crossed over other factors, and compared among those alike in them
    "shared",  # a specimen stands on both sides
    "unequal",  # not as many specimens on each side
    "few",  # specimens too few for a relabelling to tell
)


NOTHING_GIVEN: Mapping[str, int] = {}


@dataclass(frozen=True)
class DrawnOrder:
    """An order that was drawn by lot before a session: `order` names the specimens one after the
    other; one that is named more than once is set up afresh each time."""

    session: str
    order: tuple[str, ...]

    def document(self) -> dict[str, Json]:
        return {"session": self.session, "order": list(self.order)}


@dataclass(frozen=True)
class Sampling:
    """What a contrast's takes sample.

    `unit_of`: take id to its unit, the thing whose label is drawn: a specimen for the kind, else
    the take. `labels` (units,): each unit's condition; `blocks` (units,): units of one block alone
    may change their labels with one another, as they were recorded in the same sessions.
    `specimens`: how many there are, by condition. `barrier`: one of NOT_SAMPLED, or None; `short`:
    one of NOT_THE_KIND, or None.
    """

    scope: Scope
    unit_of: Mapping[str, int]
    labels: tuple[int, ...]
    blocks: tuple[int, ...]
    specimens: tuple[int, ...]
    barrier: str | None = None
    short: str | None = None

    @property
    def one_each(self) -> bool:
        """Whether two takes of one condition are takes of one specimen."""
        return set(self.specimens) == {1} and self.barrier != "no_specimen"

    @property
    def sizes(self) -> tuple[int, ...]:
        """Units by condition."""
        return tuple(self.labels.count(c) for c in range(len(self.specimens)))


def sampled(
    conditions: Sequence[Condition],
    takes: Iterable[TakeLog],
    alpha: float,
    *,
    is_dose: bool = False,
    strata: Mapping[str, int] = NOTHING_GIVEN,
) -> Sampling:
    """What the takes of these conditions sample; of a take that is not among `takes` nothing is
    known.

    `alpha`: what the least p of relabelling the specimens has to reach for a claim about the kind;
    `is_dose`: conditions are ordered, so that those of one size are not interchangeable; `strata`:
    take id to the takes that it is alike with in what is given, where anything is.
    """
    known = {take.take_id: take for take in takes}
    sides = [
        [known.get(id_, TakeLog(id_, 0)) for id_ in condition.takes] for condition in conditions
    ]
    specimens = [{plain(take.specimen) for take in side} for side in sides]
    short = "given" if strata else _not_the_kind(specimens, sides, alpha, is_dose=is_dose)
    scope: Scope = "specimens" if short else "kind"
    barrier = _not_sampled(sides, strata)
    if barrier:
        scope = "recordings"
    units = _units(sides, by_specimen=scope == "kind")
    return Sampling(
        scope=scope,
        unit_of={take.take_id: place for place, unit in enumerate(units) for take in unit.takes},
        labels=tuple(unit.condition for unit in units),
        blocks=_blocks(units, strata),
        specimens=tuple(map(len, specimens)),
        barrier=barrier,
        short=short,
    )


def plain(name: str) -> str:
    """A name without regard to case and spacing: two spellings of one thing are one."""
    return " ".join(name.split()).casefold()


@dataclass(frozen=True)
class _Unit:
    condition: int
    takes: tuple[TakeLog, ...]

    @property
    def sessions(self) -> frozenset[str]:
        return frozenset(plain(take.session) for take in self.takes)


def _units(sides: Sequence[Sequence[TakeLog]], *, by_specimen: bool) -> list[_Unit]:
    out = []
    for condition, side in enumerate(sides):
        members: dict[str, list[TakeLog]] = defaultdict(list)
        for take in side:
            members[plain(take.specimen) if by_specimen else take.take_id].append(take)
        out += [_Unit(condition, tuple(own)) for own in members.values()]
    return out


def _blocks(units: Sequence[_Unit], strata: Mapping[str, int]) -> tuple[int, ...]:
    places: dict[tuple[frozenset[str], frozenset[int]], int] = {}
    alike = [
        (unit.sessions, frozenset(strata[take.take_id] for take in unit.takes if strata))
        for unit in units
    ]
    return tuple(places.setdefault(key, len(places)) for key in alike)


def _not_the_kind(
    specimens: Sequence[set[str]],
    sides: Sequence[Sequence[TakeLog]],
    alpha: float,
    *,
    is_dose: bool,
) -> str | None:
    if any(a & b for a, b in combinations(specimens, 2)):
        return "shared"
    if len({len(side) for side in specimens}) > 1:
        return "unequal"
    if min(map(len, specimens)) < 2:
        return "few"
    units = _units(sides, by_specimen=True)
    labels = [unit.condition for unit in units]
    return (
        "few" if least_p(labels, _blocks(units, NOTHING_GIVEN), swap=not is_dose) > alpha else None
    )


def least_p(labels: Sequence[int], blocks: Sequence[int], *, swap: bool) -> float:
    """The least p that relabelling within blocks can give.

    `labels`, `blocks` (units,). With `swap` labelings that differ by the names of conditions alone
    are one, where each block has as many units of each of them.
    """
    count = math.prod(
        _labelings([a for a, b in zip(labels, blocks, strict=True) if b == block])
        for block in set(blocks)
    )
    return (_swaps(labels, blocks) if swap else 1) / count


def _labelings(labels: Sequence[int]) -> int:
    count = math.factorial(len(labels))
    for label in set(labels):
        count //= math.factorial(labels.count(label))
    return count


def _swaps(labels: Sequence[int], blocks: Sequence[int]) -> int:
    """In how many ways the conditions' names can be exchanged and every block keep its numbers."""
    pairs = list(zip(labels, blocks, strict=True))
    alike: dict[tuple[int, ...], int] = defaultdict(int)
    for label in sorted(set(labels)):
        alike[tuple(pairs.count((label, block)) for block in sorted(set(blocks)))] += 1
    return math.prod(map(math.factorial, alike.values()))


def _not_sampled(sides: Sequence[Sequence[TakeLog]], strata: Mapping[str, int]) -> str | None:
    takes = [take for side in sides for take in side]
    if not all(plain(take.specimen) for take in takes):
        return "no_specimen"
    if not all(plain(take.session) for take in takes):
        return "sessions_unlogged"
    found = {
        _pair_apart(*pair)
        for group in set(strata.values()) or {0}
        for pair in combinations(_among(sides, strata, group), 2)
    }
    return next((code for code in NOT_SAMPLED if code in found), None)


def _among(
    sides: Sequence[Sequence[TakeLog]], strata: Mapping[str, int], group: int
) -> list[list[TakeLog]]:
    """Of each side the takes that are alike in what is given; all where nothing is."""
    return [[take for take in side if strata.get(take.take_id, group) == group] for side in sides]


def _pair_apart(a: Sequence[TakeLog], b: Sequence[TakeLog]) -> str | None:
    """What keeps two conditions from being compared free of drift; None if nothing does."""
    together = {plain(take.session) for take in a} & {plain(take.session) for take in b}
    if not together:
        return "different_sessions"
    if max(len(a), len(b)) < 2:
        return None  # a take a side is no order to speak of
    ways = {_way(a, b, session) for session in together}
    return "in_one_go" if len(ways) == 1 and None not in ways else None


def _way(a: Sequence[TakeLog], b: Sequence[TakeLog], session: str) -> bool | None:
    """Whether the first condition came before the second in a session; None: they were mixed."""
    first = [take.order for take in a if plain(take.session) == session]
    second = [take.order for take in b if plain(take.session) == session]
    if max(first) < min(second):
        return True
    return False if max(second) < min(first) else None
