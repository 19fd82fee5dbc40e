"""Orders of recording, and the form by which one is drawn, as words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from panel.desk.shown.moments import moment
from panel.prose import plural
from panel.stages.takes.drawn_orders import (
    MOST_CONDITIONS,
    DrawnView,
    Setting,
    Side,
    read_names,
)

FOLLOWED = {
    "none": "Nothing of it is logged yet.",
    "some": "What is logged of it came in this order; the rest is not logged yet.",
    "followed": "Recorded in this order.",
    "other": "Recorded in another order than drawn.",
}


@dataclass(frozen=True)
class ShownOrder:
    """An order; `removable` while nothing of it is logged, `strange` where it was not followed."""

    id: int
    session: str
    settings: tuple[Setting, ...]
    drawn_at: str
    count: str
    told: str
    removable: bool
    strange: bool


@dataclass(frozen=True)
class ShownSide:
    """The fields of one condition; `number` counts from 1."""

    number: int
    condition: str
    specimens: str


@dataclass(frozen=True)
class ShownOrderForm:
    """What the form holds; `more` are the conditions that are seldom wanted, `more_open` where one
    of them is filled in."""

    session: str
    fittings: str
    sides: tuple[ShownSide, ...]
    more: tuple[ShownSide, ...]

    @property
    def more_open(self) -> bool:
        return any(side.condition or side.specimens for side in self.more)


def shown_order(view: DrawnView) -> ShownOrder:
    return ShownOrder(
        id=view.id,
        session=view.session,
        settings=view.settings,
        drawn_at=moment(view.drawn_at),
        count=plural(len(view.settings), "take"),
        told=FOLLOWED[view.following],
        removable=view.following == "none",
        strange=view.following == "other",
    )


def shown_form(
    suggested: Sequence[Side], sessions: int, typed: Mapping[str, str]
) -> ShownOrderForm:
    """What was typed; else what the log suggests, for the session after the `sessions` drawn."""
    blank = [Side("", ())] * (MOST_CONDITIONS - len(suggested))
    sides = tuple(
        ShownSide(
            number,
            typed.get(f"condition{number}", side.condition),
            typed.get(f"specimens{number}", "\n".join(side.specimens)),
        )
        for number, side in enumerate([*suggested, *blank], start=1)
    )
    return ShownOrderForm(
        session=typed.get("session", f"Session {sessions + 1}"),
        fittings=typed.get("fittings", "1"),
        sides=sides[:2],
        more=sides[2:],
    )


def sides_typed(typed: Mapping[str, str]) -> tuple[Side, ...]:
    """The conditions that were filled in, if only in part."""
    sides = (
        Side(
            " ".join(typed.get(f"condition{number}", "").split()),
            read_names(typed.get(f"specimens{number}", "")),
        )
        for number in range(1, MOST_CONDITIONS + 1)
    )
    return tuple(side for side in sides if side.condition or side.specimens)
