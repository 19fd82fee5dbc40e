"""The guard where takes are crossed over given factors: only takes alike in these are compared."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from panel.design.floor import given_sentence
from panel.design.guard.order import given_order_sentence, growing
from panel.design.guard.result import GuardResult
from panel.design.guard.sides import (
    Seen,
    Side,
    Together,
    across,
    first_logged_alike,
    ids,
    seen,
)
from panel.design.guard.strata import LEAST_OF_A_CELL, cells, strata_of
from panel.design.guard.words import named, unlogged_sentence
from panel.errors import BadInput
from panel.prose import listed, spelled
from panel.study.conditions import Stratum
from panel.study.factors import Factor, TakeLog


def guard_given(
    sides: Sequence[Side], factors: Sequence[Factor], given: Sequence[str]
) -> GuardResult:
    """Judge a contrast given factors (ids). Raises BadInput for an unknown factor."""
    held = _held(factors, given)
    strata = strata_of([take for side in sides for take in side.takes], held)
    if isinstance(strata, str):
        return _refused(strata, held, _NOTHING_SEEN)
    together = _alike_in_given(strata)
    asked = _Crossed(sides, factors, held, strata, together, seen(sides, factors, together))
    objection = next((said for ask in _OBJECTIONS if (said := ask(asked))), "")
    return _refused(objection, held, asked.seen) if objection else _allowed(asked)


@dataclass(frozen=True)
class _Crossed:
    """A contrast given the factors `held`, with what the logs say of takes of one stratum."""

    sides: Sequence[Side]
    factors: Sequence[Factor]
    held: Sequence[Factor]
    strata: Sequence[Stratum]
    together: Together
    seen: Seen

    @property
    def given(self) -> str:
        """The given factors in words."""
        return _names(self.held)

    @property
    def cells(self) -> tuple[tuple[int, ...], ...]:
        """Takes of each condition (columns) in each stratum (rows)."""
        sides = [[take.take_id for take in side.takes] for side in self.sides]
        return cells(sides, [stratum.takes for stratum in self.strata])


_NOTHING_SEEN = Seen((), (), ())


def _held(factors: Sequence[Factor], given: Sequence[str]) -> list[Factor]:
    known = ids(factors)
    for name in given:
        if name not in known:
            raise BadInput(f"There is no factor “{name}” in the log.")
    return [factor for factor in factors if factor.id in given]


def _alike_in_given(strata: Sequence[Stratum]) -> Together:
    place = {take: index for index, stratum in enumerate(strata) for take in stratum.takes}

    def together(first: TakeLog, second: TakeLog) -> bool:
        return place[first.take_id] == place[second.take_id]

    return together


def _not_two_conditions(asked: _Crossed) -> str:
    if len(asked.sides) == 2:
        return ""
    return f"Given {asked.given}, two conditions are compared, not {len(asked.sides)}. Choose two."


def _nothing_crossed(asked: _Crossed) -> str:
    if len(asked.strata) > 1:
        return ""
    return f"All these takes are alike in {asked.given}: ask without it."


def _more_differs(asked: _Crossed) -> str:
    differs = asked.seen.differs
    if len(differs) < 2:
        return ""
    return (
        f"{named(asked.sides)} differ in {spelled(len(differs))} factors even among takes alike in "
        f"{asked.given}: {_names(differs)}. Leave out the takes that differ in more."
    )


def _logged_alike(asked: _Crossed) -> str:
    pair = first_logged_alike(across(asked.sides, asked.together), asked.factors)
    if pair is None:
        return ""
    return (
        f"Takes {pair.first.name} (“{pair.first_label}”) and {pair.second.name} "
        f"(“{pair.second_label}”) are logged alike. Move one, or correct its log."
    )


def _nothing_differs(asked: _Crossed) -> str:
    if asked.seen.differs:
        return ""
    # A stratum that lacks takes is the nearer cause: that is said of the first.
    return _lacks_takes(asked, 0) or (
        f"{named(asked.sides)} do not differ in anything logged among takes alike in {asked.given}."
    )


def _some_stratum_lacks_takes(asked: _Crossed) -> str:
    said = (_lacks_takes(asked, stratum) for stratum in range(len(asked.strata)))
    return next((sentence for sentence in said if sentence), "")


def _lacks_takes(asked: _Crossed, stratum: int) -> str:
    label = asked.strata[stratum].label
    for side, takes in zip(asked.sides, asked.cells[stratum], strict=True):
        if takes < LEAST_OF_A_CELL:
            have = "no take" if takes == 0 else "one take"
            return (
                f"There is {have} of “{side.label}” with {label}. Given {asked.given} each needs "
                f"two at least: record more, or leave out the takes with {label}."
            )
    return ""


_OBJECTIONS: tuple[Callable[[_Crossed], str], ...] = (
    _not_two_conditions,
    _nothing_crossed,
    _more_differs,
    _logged_alike,
    _nothing_differs,
    _some_stratum_lacks_takes,
)
"""What may stand against it; the first that does is said."""


def _refused(sentence: str, held: Sequence[Factor], found: Seen) -> GuardResult:
    return GuardResult(
        role="question",
        allowed=False,
        overridden=False,
        factor=None,
        differs=ids(found.differs),
        unlogged=ids(found.unlogged),
        within=(),
        sentence=sentence,
        nearest=(),
        warnings=(),
        given=ids(held),
    )


def _allowed(asked: _Crossed) -> GuardResult:
    (factor,) = asked.seen.differs
    aligned = _order(asked, factor)
    strata = "; ".join(stratum.label for stratum in asked.strata)
    return GuardResult(
        role="question",
        allowed=True,
        overridden=False,
        factor=factor.id,
        differs=ids(asked.seen.differs),
        unlogged=ids(asked.seen.unlogged),
        within=ids(asked.seen.within),
        sentence=f"{named(asked.sides)} differ in {factor.name} only, given {asked.given}: takes "
        f"are compared with takes alike in {asked.given} ({strata}).",
        nearest=(),
        order_warning=aligned,
        warnings=_warnings(asked, aligned),
        given=ids(asked.held),
        strata=tuple(asked.strata),
    )


def _order(asked: _Crossed, factor: Factor) -> str:
    """The warning that in some stratum conditions were recorded one after the other, or ""."""
    orders = {
        stratum.label: [
            [take.order for take in side.takes if take.take_id in stratum.takes]
            for side in asked.sides
        ]
        for stratum in asked.strata
    }
    return given_order_sentence([side.label for side in asked.sides], orders, growing(factor))


def _warnings(asked: _Crossed, aligned: str) -> tuple[str, ...]:
    said = [
        unlogged_sentence(asked.seen.unlogged),
        *(
            f"Takes of one condition, alike in {asked.given}, differ among themselves in "
            f"{factor.name}."
            for factor in asked.seen.within
        ),
        aligned,
        given_sentence(asked.cells, directed=False),
    ]
    return tuple(sentence for sentence in said if sentence)


def _names(factors: Sequence[Factor]) -> str:
    return listed([factor.name for factor in factors])
