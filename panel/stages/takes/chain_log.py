"""The chain log: of what specimen each take is, when it was recorded, and what can differ.

What the plan covers is refused with Conflict once the plan is locked.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from sqlmodel import select

from panel.design.plan_check import LONGEST_CARRIER, LONGEST_NAME
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
from panel.store.tables import Contrast, Factor, Study, Take
from panel.study import factors as design
from panel.study.sampling import plain

MOST_FACTORS = 30
LONGEST_CELL = 200
LONGEST_NOTES = 2000
NO_FACTORS = ("specimen", "session")


@dataclass(frozen=True)
class GridView:
    """Takes by factors. `rows[i]` belongs to `takes[i]`; `unlogged` counts empty cells, those for
    specimen and session too. `carrier`: what carries all specimens."""

    factors: tuple[design.Factor, ...]
    takes: tuple[TakeView, ...]
    rows: tuple[design.GridRow, ...]
    varies: tuple[bool, ...]
    unlogged: int
    carrier: str = ""

    @property
    def specimens(self) -> tuple[str, ...]:
        """Each specimen that is logged, once."""
        return tuple(dict.fromkeys(take.specimen for take in self.takes if take.specimen))

    @property
    def sessions(self) -> tuple[str, ...]:
        """Each session that is logged, once."""
        return tuple(dict.fromkeys(take.session for take in self.takes if take.session))

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
    if plain(name) in NO_FACTORS:
        raise BadInput(
            f"A {plain(name)} is no factor: it is logged for every take anyway.",
            hint="Write it into its own column of the log.",
        )
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
    specimen: str | None = None,
    session: str | None = None,
) -> None:
    """Log the chain of one take. Factors that `values` does not name stay as they were; an empty
    text or None means "not logged". Raises BadInput for a wrong value or an unknown factor."""
    entry = Entry(values, label, recorded_order, notes, specimen, session)
    log_takes(store, study_id, {take_key: entry})


@dataclass(frozen=True)
class Entry:
    """What is to be written into one row of the chain log; None leaves a thing as it is."""

    values: Mapping[str, str | float | None]
    label: str | None = None
    recorded_order: int | None = None
    notes: str | None = None
    specimen: str | None = None
    session: str | None = None


def log_takes(
    store: Store, study_id: int, entries: Mapping[str, Entry], carrier: str | None = None
) -> None:
    """Log several takes at once, and what carries all specimens alike, such as the one amplifier:
    all of it, or, if anything is wrong, nothing. None leaves the carrier as it is."""
    with store.session() as s:
        write_first(s)
        study = unlocked(s, study_id)
        if carrier is not None:
            study.carrier = _carrier(carrier)
            s.add(study)
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


def name_carrier(store: Store, study_id: int, carrier: str) -> None:
    """Say what carries all specimens alike; "" where nothing is said."""
    log_takes(store, study_id, {}, carrier)


def grid(store: Store, study_id: int) -> GridView:
    """The chain log as a grid in which differences stand out."""
    with store.session() as s:
        known, found = factors_in(s, study_id), takes_in(s, study_id)
        carrier = s.get_one(Study, study_id).carrier
    twins = twins_of(found)
    by_key = {take.key: take for take in found}
    laid_out = design.grid([log_of(take) for take in found], known)
    unnamed = sum((not take.specimen) + (not take.session) for take in found)
    return GridView(
        factors=known,
        takes=tuple(view_of(by_key[row.take_id], twins) for row in laid_out.rows),
        rows=laid_out.rows,
        varies=laid_out.varies,
        unlogged=unnamed
        + sum(cell.state == "unlogged" for row in laid_out.rows for cell in row.cells),
        carrier=carrier,
    )


def _write(take: Take, entry: Entry, known: Mapping[str, design.Factor]) -> None:
    """What the entry says, into the take's row. Raises BadInput."""
    _write_values(take, entry, known)
    if entry.label is not None:
        take.label = tidy_label(entry.label) or take.key[1:]
    if entry.specimen is not None:
        take.specimen = _name(take, entry.specimen, "specimen")
    if entry.session is not None:
        take.session = _name(take, entry.session, "session")
    _write_place(take, entry.recorded_order)
    _write_notes(take, entry.notes)


def _write_values(take: Take, entry: Entry, known: Mapping[str, design.Factor]) -> None:
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


def _write_place(take: Take, place: int | None) -> None:
    if place is None:
        return
    if not 1 <= place <= 100_000:
        raise BadInput(
            f"Take {take.label}: the place in the order of recording counts from 1.",
            hint="Write 1 for the take recorded first.",
        )
    take.recorded_order = place


def _write_notes(take: Take, notes: str | None) -> None:
    if notes is None:
        return
    if len(notes) > LONGEST_NOTES:
        raise BadInput(
            f"The notes of take {take.label} are longer than {LONGEST_NOTES} characters."
        )
    take.notes = notes.strip()


def _carrier(text: str) -> str:
    text = " ".join(text.split())
    if len(text) > LONGEST_CARRIER:
        raise BadInput(
            f"What carries the specimens is longer than {LONGEST_CARRIER} characters.",
            hint="Name the thing only; the rest belongs into the notes.",
        )
    return text


def _name(take: Take, text: str, what: str) -> str:
    text = " ".join(text.split())
    if len(text) > LONGEST_NAME:
        raise BadInput(
            f"Take {take.label}: the name of the {what} is longer than {LONGEST_NAME} characters.",
            hint="A short one is enough, as long as no other has it.",
        )
    return text


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
