"""A listener's own answers after the end, ready for the page that tells them."""

from dataclasses import dataclass

from panel.stages.conclude.own_summary import Counted, Leaning, OwnSummary

LUCK = 5.0  # of 100 who guess: from here on it may well be luck


@dataclass(frozen=True)
class ShownGuessing:
    """How many of 100 people who only guess get as far."""

    people: int
    fewer_than_one: bool
    may_be_luck: bool


@dataclass(frozen=True)
class ShownPart:
    """One question. `sides` (label, how often) where answers point to conditions; else `right`,
    and `by_guessing` in two digits."""

    name: str
    trials: int
    attribute: str | None = None
    sides: tuple[tuple[str, int], ...] = ()
    right: int = 0
    by_guessing: str = ""
    planted: bool = False
    guessing: ShownGuessing | None = None


def shown_parts(summary: OwnSummary) -> tuple[ShownPart, ...]:
    """What may be read; nothing where the plan does not allow it."""
    return tuple(_part(part) for part in summary.parts) if summary.allowed else ()


def _part(part: Counted | Leaning) -> ShownPart:
    if isinstance(part, Leaning):
        return ShownPart(
            name=part.name,
            trials=part.trials,
            attribute=part.attribute,
            sides=part.sides,
            guessing=None if part.guessing is None else _guessing(part.guessing),
        )
    return ShownPart(
        name=part.name,
        trials=part.trials,
        right=part.right,
        by_guessing=f"{part.by_guessing:.2g}",
        planted=part.planted,
        guessing=_guessing(part.guessing),
    )


def _guessing(of_100: float) -> ShownGuessing:
    return ShownGuessing(
        people=round(of_100), fewer_than_one=of_100 < 1, may_be_luck=of_100 >= LUCK
    )
