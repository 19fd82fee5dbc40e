"""Orders of recording: drawn by lot before a session, remembered, and held against what is logged.

An order that is drawn tells the change from warming up and drift, and is what labels are permuted
over. It goes into the plan; once the plan is locked none is drawn or removed.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlmodel import Session

from panel.design.guard.as_drawn import Following, following
from panel.design.guard.order import mixed_order
from panel.design.guard.scope_words import alike_in_letters
from panel.design.plan_check import LONGEST_NAME
from panel.errors import BadInput, Conflict, NotFound
from panel.prose import listed, quoted
from panel.stages.rows import as_planned, drawn_orders_in, factors_in, log_of, takes_in
from panel.stages.studies import unlocked
from panel.store.row_id import row_id
from panel.store.session import Store, write_first
from panel.store.tables import DrawnOrder
from panel.study.factors import TakeLog, value_groups, value_text
from panel.study.sampling import plain

MOST = 100
MOST_CONDITIONS = 4


@dataclass(frozen=True)
class Side:
    """A condition that is to be recorded, and its specimens."""

    condition: str
    specimens: tuple[str, ...]


@dataclass(frozen=True)
class Setting:
    """One place of an order: what is set up, and which condition it stands for."""

    specimen: str
    condition: str


@dataclass(frozen=True)
class DrawnView:
    """An order that was drawn, and how what is logged of its session follows it."""

    id: int
    session: str
    settings: tuple[Setting, ...]
    drawn_at: datetime
    following: Following


def read_names(text: str) -> tuple[str, ...]:
    """Names of specimens as typed: one a line, or with commas or semicolons between."""
    names = (" ".join(part.split()) for part in re.split(r"[\n,;]", text))
    return tuple(name for name in names if name)


def draw(
    store: Store,
    study_id: int,
    session: str,
    sides: Sequence[Side],
    fittings: int = 1,
    rng: np.random.Generator | None = None,
) -> int:
    """Draw the order of a session, each specimen set up `fittings` times; returns its id.

    All orders of the specimens are alike likely, but for those in which each condition would be
    recorded in one go. Raises BadInput for what cannot be drawn from, Conflict for a session that
    has an order already, and once the plan is locked.
    """
    session = " ".join(session.split())
    _refuse_names(session, sides)
    _refuse_numbers(sides, fittings)
    order = _drawn(rng or np.random.default_rng(), sides, fittings)
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        _refuse_second(s, study_id, session)
        row = DrawnOrder(
            study_id=study_id,
            session=session,
            specimens=[setting.specimen for setting in order],
            conditions=[setting.condition for setting in order],
            drawn_at=store.now(),
        )
        s.add(row)
        s.commit()
        return row_id(row)


def drawn(store: Store, study_id: int) -> tuple[DrawnView, ...]:
    """The orders that were drawn, the first at the head."""
    with store.session() as s:
        logs = [log_of(take) for take in takes_in(s, study_id)]
        return tuple(_view(row, logs) for row in drawn_orders_in(s, study_id))


def one(store: Store, study_id: int, order_id: int) -> DrawnView:
    """One of them. Raises NotFound."""
    found = next((view for view in drawn(store, study_id) if view.id == order_id), None)
    if found is None:
        raise _none()
    return found


def remove(store: Store, study_id: int, order_id: int) -> None:
    """Forget an order of which nothing is recorded yet. Raises NotFound, or Conflict once a take
    of its session is logged: how a session was drawn belongs to its takes."""
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        row = next((row for row in drawn_orders_in(s, study_id) if row.id == order_id), None)
        if row is None:
            raise _none()
        takes = [t.label for t in takes_in(s, study_id) if plain(t.session) == plain(row.session)]
        if takes:
            raise Conflict(
                f"Takes of the session “{row.session}” are logged ({listed(takes[:4])}), so its "
                "order stays.",
                hint="If they belong to another session, correct the log first.",
            )
        s.delete(row)
        s.commit()


def suggested(store: Store, study_id: int) -> tuple[Side, ...]:
    """Conditions and specimens as the log has them: by the first factor that varies."""
    with store.session() as s:
        logs = [log_of(take) for take in takes_in(s, study_id)]
        factors = factors_in(s, study_id)
    for factor in factors:
        groups = value_groups(factor, logs)
        if len(groups) > 1:
            return tuple(
                Side(value_text(factor, value), _specimens(members))
                for value, members in groups[:MOST_CONDITIONS]
            )
    return ()


def _specimens(takes: Sequence[TakeLog]) -> tuple[str, ...]:
    """Each specimen that is named, in the first of its spellings."""
    first = {plain(take.specimen): take.specimen for take in reversed(takes)}
    return tuple(name for key, name in reversed(first.items()) if key)


def _view(row: DrawnOrder, takes: Sequence[TakeLog]) -> DrawnView:
    settings = (Setting(*pair) for pair in zip(row.specimens, row.conditions, strict=True))
    found = following(as_planned(row), takes)
    return DrawnView(row_id(row), row.session, tuple(settings), row.drawn_at, found)


def _drawn(rng: np.random.Generator, sides: Sequence[Side], fittings: int) -> list[Setting]:
    """Conditions in mixed order, and each condition's specimens in any: so all orders that are not
    ruled out are alike likely."""
    waiting = {
        side.condition: [str(name) for name in rng.permutation(side.specimens * fittings)]
        for side in sides
    }
    order = mixed_order(rng, {condition: len(names) for condition, names in waiting.items()})
    return [Setting(waiting[condition].pop(), condition) for condition in order]


def _refuse_names(session: str, sides: Sequence[Side]) -> None:
    if not session:
        raise BadInput(
            "The session has no name.", hint="A date or a number will do, such as “2 May”."
        )
    if not 2 <= len(sides) <= MOST_CONDITIONS or not all(side.condition for side in sides):
        raise BadInput(
            f"An order is drawn of two to {MOST_CONDITIONS} conditions, each with a name.",
            hint="Name the conditions, and the specimens of each.",
        )
    if len({plain(side.condition) for side in sides}) < len(sides):
        raise BadInput("Two conditions have one name.", hint="Give each a name of its own.")
    for side in sides:
        _refuse_specimens(side)
    names = [name for side in sides for name in side.specimens]
    if max(map(len, (session, *names, *(side.condition for side in sides)))) > LONGEST_NAME:
        raise BadInput(f"A name is longer than {LONGEST_NAME} characters.", hint="Shorten it.")
    alike = alike_in_letters(names)
    if alike:
        raise BadInput(
            f"{quoted(alike[0])} have the same letters and digits.",
            hint="If they are one, write the name in one way; if not, number them.",
        )


def _refuse_specimens(side: Side) -> None:
    if not side.specimens:
        raise BadInput(
            f"No specimen of “{side.condition}” is named.",
            hint="Name each on a line of its own; with one only, name it and say how many fresh "
            "fittings.",
        )
    twice = [n for i, n in enumerate(side.specimens) if plain(n) in map(plain, side.specimens[:i])]
    if twice:
        raise BadInput(
            f"Specimen “{twice[0]}” stands twice under “{side.condition}”.",
            hint="Name it once, and say how many fresh fittings of each are recorded.",
        )


def _refuse_numbers(sides: Sequence[Side], fittings: int) -> None:
    if fittings < 1 or fittings * sum(len(side.specimens) for side in sides) > MOST:
        raise BadInput(
            f"An order is drawn of at most {MOST} takes, and of one fitting at least.",
            hint="Five specimens of each, set up once; or one of each, set up five times.",
        )


def _refuse_second(session: Session, study_id: int, name: str) -> None:
    there = (row.session for row in drawn_orders_in(session, study_id))
    if plain(name) in map(plain, there):
        raise Conflict(
            f"For the session “{name}” an order was drawn already.",
            hint="Record in that order; or give the next session another name.",
        )


def _none() -> NotFound:
    return NotFound("There is no such order in this study.", hint="Choose one from the list.")
