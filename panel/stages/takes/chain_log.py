"""The chain log: what can differ between takes, and what is logged of each.

What the plan covers is refused with Conflict once the plan is locked.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from sqlmodel import select

from panel.errors import BadInput, Conflict
from panel.stages.rows import (
    TakeView,
    asked_in,
    factor_in,
    factors_in,
    log_of,
    no_take,
    takes_in,
    tidy_label,
    twins_of,
    view_of,
)
from panel.stages.studies import unlocked
from panel.store.session import Store, write_first
from panel.store.tables import Contrast, Factor, Take
from panel.study import factors as design

MOST_FACTORS = 30
LONGEST_CELL = 200
LONGEST_NOTES = 2000


@dataclass(frozen=True)
class GridView:
    """Takes by factors. `rows[i]` belongs to `takes[i]`."""

    factors: tuple[design.Factor, ...]
    takes: tuple[TakeView, ...]
    rows: tuple[design.GridRow, ...]
    varies: tuple[bool, ...]
    unlogged: int

    def known_values(self, factor_id: str) -> tuple[str, ...]:
        """What is logged for a factor on any take, each once: offered while typing."""
        column = [factor.id for factor in self.factors].index(factor_id)
        cells = (row.cells[column] for row in self.rows)
        return tuple(dict.fromkeys(cell.text for cell in cells if cell.state != "unlogged"))


def add_factor(
    store: Store, study_id: int, name: str, kind: str, unit: str = "", tolerance: float = 0.0
) -> str:
    """Add something that can differ between takes; returns its key.

    Raises BadInput (no name, unknown kind, negative tolerance), Conflict (name taken, locked).
    """
    name, unit = _line(name, "factor", 60), " ".join(unit.split())[:20]
    if kind != "numeric":
        unit, tolerance = "", 0.0
    design.Factor("check", name, kind, unit, tolerance)  # type: ignore[arg-type]
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        there = s.exec(select(Factor).where(Factor.study_id == study_id)).all()
        if len(there) >= MOST_FACTORS:
            raise Conflict(f"A study has at most {MOST_FACTORS} factors.")
        if any(factor.name.casefold() == name.casefold() for factor in there):
            raise Conflict(
                f"There is a factor “{name}” already.", hint="Log it there, or name another one."
            )
        key = _key(name, {factor.key for factor in there})
        position = max((factor.position for factor in there), default=0) + 1
        s.add(
            Factor(
                study_id=study_id,
                key=key,
                name=name,
                kind=kind,
                unit=unit,
                tolerance=float(tolerance),
                position=position,
            )
        )
        s.commit()
    return key


def change_factor(
    store: Store, study_id: int, key: str, *, name: str, unit: str = "", tolerance: float = 0.0
) -> None:
    """Rename a factor, or change its unit and tolerance; its kind stays."""
    name, unit = _line(name, "factor", 60), " ".join(unit.split())[:20]
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        factor = factor_in(s, study_id, key)
        if factor.kind != "numeric":
            unit, tolerance = "", 0.0
        design.Factor(key, name, factor.kind, unit, tolerance)  # type: ignore[arg-type]
        others = s.exec(select(Factor).where(Factor.study_id == study_id, Factor.key != key))
        if any(other.name.casefold() == name.casefold() for other in others):
            raise Conflict(f"There is a factor “{name}” already.", hint="Choose another name.")
        factor.name, factor.unit, factor.tolerance = name, unit, float(tolerance)
        s.add(factor)
        s.commit()


def remove_factor(store: Store, study_id: int, key: str) -> None:
    """Remove a factor and what was logged for it, unless a contrast asks about it."""
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        factor = factor_in(s, study_id, key)
        for contrast in s.exec(select(Contrast).where(Contrast.study_id == study_id)):
            if asked_in(contrast).factor == key:
                raise Conflict(
                    f"“{factor.name}” is what the contrast “{asked_in(contrast).name}” asks about.",
                    hint="Remove the contrast first.",
                )
        for take in s.exec(select(Take).where(Take.study_id == study_id)):
            take.log = {name: value for name, value in take.log.items() if name != key}
            s.add(take)
        s.delete(factor)
        s.commit()


def factors(store: Store, study_id: int) -> tuple[design.Factor, ...]:
    with store.session() as s:
        return factors_in(s, study_id)


def log_take(
    store: Store,
    study_id: int,
    take_key: str,
    values: Mapping[str, str | float | None],
    label: str | None = None,
    recorded_order: int | None = None,
    notes: str | None = None,
) -> None:
    """Log the chain of one take. Factors that `values` does not name stay as they were; an empty
    text or None means "not logged". Raises BadInput for a wrong value or an unknown factor."""
    log_takes(store, study_id, {take_key: Entry(values, label, recorded_order, notes)})


@dataclass(frozen=True)
class Entry:
    """What is to be written into one row of the chain log; None leaves a thing as it is."""

    values: Mapping[str, str | float | None]
    label: str | None = None
    recorded_order: int | None = None
    notes: str | None = None


def log_takes(store: Store, study_id: int, entries: Mapping[str, Entry]) -> None:
    """Log several takes at once: all of it, or, if anything is wrong, nothing."""
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        known = {factor.id: factor for factor in factors_in(s, study_id)}
        there = {take.key: take for take in takes_in(s, study_id)}
        for take_key, entry in entries.items():
            if take_key not in there:
                raise no_take(take_key)
            _write(there[take_key], entry, known)
            s.add(there[take_key])
        labels = [take.label.casefold() for take in there.values()]
        double = next((label for label in labels if labels.count(label) > 1), None)
        if double is not None:
            raise BadInput(
                f"Two takes are called “{double}”.", hint="Give each take a name of its own."
            )
        s.commit()


def grid(store: Store, study_id: int) -> GridView:
    """The chain log as a grid in which differences stand out."""
    with store.session() as s:
        known, found = factors_in(s, study_id), takes_in(s, study_id)
    twins = twins_of(found)
    by_key = {take.key: take for take in found}
    laid_out = design.grid([log_of(take) for take in found], known)
    return GridView(
        factors=known,
        takes=tuple(view_of(by_key[row.take_id], twins) for row in laid_out.rows),
        rows=laid_out.rows,
        varies=laid_out.varies,
        unlogged=sum(cell.state == "unlogged" for row in laid_out.rows for cell in row.cells),
    )


def _write(take: Take, entry: Entry, known: Mapping[str, design.Factor]) -> None:
    log = {key: value for key, value in take.log.items() if key in known}
    for key, value in entry.values.items():
        if key not in known:
            raise BadInput(
                f"There is no factor “{key}” in this study.", hint="Add the factor first."
            )
        if isinstance(value, str) and len(value) > LONGEST_CELL:
            raise BadInput(
                f"What is logged for “{known[key].name}” is longer than {LONGEST_CELL} characters.",
                hint="Keep the cell short, and put the rest into the notes.",
            )
        text = "" if value is None else value if isinstance(value, str) else f"{value!r}"
        log[key] = design.read_value(known[key], text)
    take.log = log
    if entry.label is not None:
        take.label = tidy_label(entry.label) or take.key[1:]
    if entry.recorded_order is not None:
        if not 1 <= entry.recorded_order <= 100_000:
            raise BadInput(
                f"Take {take.label}: the place in the order of recording counts from 1.",
                hint="Write 1 for the take recorded first.",
            )
        take.recorded_order = entry.recorded_order
    if entry.notes is not None:
        if len(entry.notes) > LONGEST_NOTES:
            raise BadInput(
                f"The notes of take {take.label} are longer than {LONGEST_NOTES} characters."
            )
        take.notes = entry.notes.strip()


def _line(text: str, what: str, longest: int) -> str:
    text = " ".join(text.split())
    if not text:
        raise BadInput(f"The {what} needs a name.", hint="Say what it is, such as “adhesive”.")
    if len(text) > longest:
        raise BadInput(f"The name of the {what} is longer than {longest} characters.")
    return text


def _key(name: str, taken: set[str]) -> str:
    plain = re.sub(r"[^a-z0-9]+", "_", name.casefold()).strip("_")[:30] or "factor"
    key, number = plain, 2
    while key in taken:
        key, number = f"{plain}_{number}", number + 1
    return key
