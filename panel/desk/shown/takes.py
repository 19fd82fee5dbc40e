"""The page of the takes and its chain log, as words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from panel.design.guard.scope_words import Remark
from panel.prose import agreeing, decimal, listed, plural, sample_rate
from panel.stages.rows import TakeView
from panel.stages.takes.chain_log import GridView
from panel.stages.takes.channel_choice import WaitingView
from panel.stages.takes.excerpts import ExcerptView
from panel.stages.takes.leaders import LeadersView
from panel.study.factors import Cell, Factor


@dataclass(frozen=True)
class ShownFactor:
    """A column of the log."""

    id: str
    name: str
    unit: str
    numeric: bool
    tolerance: str


@dataclass(frozen=True)
class ShownCell:
    """A cell of the log: what it says, and the field that it is while the study is a draft."""

    state: str
    text: str
    name: str
    typed: str
    label: str
    numeric: bool
    offers: str  # id of the list of values that are offered


@dataclass(frozen=True)
class ShownOffer:
    """What is known of a column, offered while typing: `id` of the list, and its values."""

    id: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class ShownTake:
    """A row of the log; `typed_…` is what its fields hold, which may not have been kept. `named`:
    its specimen and its session."""

    key: str
    label: str
    named: tuple[ShownCell, ...]
    order: int
    notes: str
    typed_label: str
    typed_order: str
    typed_notes: str
    cells: tuple[ShownCell, ...]
    file_name: str
    facts: str
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class ShownLog:
    """The chain log. `unlogged` says how many cells are not logged, "" when all are; `for_all` are
    the fields of what goes for all of these, by factor, and `for_all_named` for specimen and
    session. `remarks`: what is wrong in it, whatever is asked."""

    carrier: str
    factors: tuple[ShownFactor, ...]
    takes: tuple[ShownTake, ...]
    unlogged: str
    for_all_named: tuple[ShownCell, ...]
    for_all: tuple[ShownCell, ...]
    offered: tuple[ShownOffer, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class ShownFactorForm:
    """What was typed of a new factor; `begun` when something was, so that the form stands open."""

    name: str
    kind: str
    unit: str
    tolerance: str
    begun: bool


@dataclass(frozen=True)
class Upload:
    """What became of one file that was sent: `note` says what is to be looked at although it was
    taken, `hint` what to do where it was not."""

    file: str
    taken: bool
    message: str
    hint: str = ""
    note: str = ""


@dataclass(frozen=True)
class ShownWaiting:
    """A file with channels to choose."""

    id: int
    file_name: str
    channels: int


# The fields' names: no factor's key has a hyphen.
SPECIMEN, SESSION = "of-specimen", "in-session"
NAMED = ((SPECIMEN, "Specimen"), (SESSION, "Session"))


def shown_log(grid: GridView, typed: Mapping[str, str], remarks: Sequence[Remark] = ()) -> ShownLog:
    return ShownLog(
        carrier=typed.get("carrier", grid.carrier),
        factors=tuple(map(_factor, grid.factors)),
        takes=tuple(
            _take(take, row.cells, grid.factors, typed)
            for take, row in zip(grid.takes, grid.rows, strict=True)
        ),
        unlogged=f"{plural(grid.unlogged, 'cell is', 'cells are')} not logged yet."
        if grid.unlogged
        else "",
        for_all_named=tuple(_named_for_all(field, word, typed) for field, word in NAMED)
        if grid.unlogged
        else (),
        for_all=tuple(_for_all(factor, typed) for factor in grid.factors) if grid.unlogged else (),
        offered=(
            ShownOffer(f"values-{SPECIMEN}", grid.specimens),
            ShownOffer(f"values-{SESSION}", grid.sessions),
            *(
                ShownOffer(f"values-{factor.id}", grid.known_values(factor.id))
                for factor in grid.factors
                if factor.kind != "numeric"
            ),
        ),
        remarks=tuple(remark.sentence for remark in remarks),
    )


def shown_factor_form(typed: Mapping[str, str]) -> ShownFactorForm:
    return ShownFactorForm(
        name=typed.get("name", ""),
        kind=typed.get("kind", "named"),
        unit=typed.get("unit", ""),
        tolerance=typed.get("tolerance", ""),
        begun=bool(typed),
    )


def taken(name: str, view: TakeView | WaitingView) -> Upload:
    """What is said of a file that is kept, as a take or until its channels are chosen."""
    if isinstance(view, WaitingView):
        return Upload(
            name,
            taken=True,
            message=f"Kept; it has {len(view.tracks)} channels.",
            note="It is no take until two are chosen, under “Channels to choose”.",
        )
    note = ""
    if view.same_as:
        note = (
            f"The same file as take {view.same_as}, byte for byte: a copy is no second take. "
            "Remove one of them, unless you want it so."
        )
    elif view.lossy:
        note = (
            f"A lossy file ({view.kind}): what the format took away cannot be heard any more. "
            "Use the lossless original if you have it."
        )
    return Upload(name, taken=True, message=f"Kept as take {view.label}.", note=note)


def shown_waiting(files: Sequence[WaitingView]) -> tuple[ShownWaiting, ...]:
    return tuple(ShownWaiting(file.id, file.file_name, len(file.tracks)) for file in files)


def what_waits(files: Sequence[WaitingView]) -> str:
    """What is the matter with files that have channels to choose."""
    n = len(files)
    return (
        f"{agreeing(n, 'This file has', 'These files have')} more than two channels, and "
        f"{agreeing(n, 'is', 'are')} no take until two of them are chosen."
    )


def with_leader(leaders: LeadersView, takes: int) -> str:
    """How many of the takes begin with the leader."""
    n = len(leaders.told)
    return f"{n} of {takes} takes {agreeing(n, 'begins', 'begin')} with the leader."


def marked(excerpts: Sequence[ExcerptView]) -> str:
    """Which excerpts are marked: "2 excerpts are marked: first (0.20–1.60 s), …"."""
    told = ", ".join(f"{e.name} ({e.start_s:.2f}–{e.end_s:.2f} s)" for e in excerpts)
    return f"{plural(len(excerpts), 'excerpt is', 'excerpts are')} marked: {told}."


def _factor(factor: Factor) -> ShownFactor:
    return ShownFactor(
        id=factor.id,
        name=factor.name,
        unit=factor.unit,
        numeric=factor.kind == "numeric",
        tolerance=f"{factor.tolerance:g}",
    )


def _take(
    take: TakeView,
    cells: Sequence[Cell],
    factors: Sequence[Factor],
    typed: Mapping[str, str],
) -> ShownTake:
    return ShownTake(
        key=take.key,
        label=take.label,
        named=tuple(
            _named(take, field, word, value, typed)
            for (field, word), value in zip(NAMED, (take.specimen, take.session), strict=True)
        ),
        order=take.recorded_order,
        notes=take.notes,
        typed_label=typed.get(f"{take.key}.label", take.label),
        typed_order=typed.get(f"{take.key}.order", str(take.recorded_order)),
        typed_notes=typed.get(f"{take.key}.notes", take.notes),
        cells=tuple(
            _cell(take, factor, cell, typed) for factor, cell in zip(factors, cells, strict=True)
        ),
        file_name=take.file_name,
        facts="; ".join(_facts(take)),
        warnings=_warnings(take),
    )


def _cell(take: TakeView, factor: Factor, cell: Cell, typed: Mapping[str, str]) -> ShownCell:
    name = f"{take.key}.{factor.id}"
    return ShownCell(
        state=cell.state,
        text=cell.text,
        name=name,
        typed=typed.get(name, _logged(cell.value)),
        label=f"{factor.name} of take {take.label}",
        numeric=factor.kind == "numeric",
        offers=f"values-{factor.id}",
    )


def _named(
    take: TakeView, field: str, word: str, value: str, typed: Mapping[str, str]
) -> ShownCell:
    name = f"{take.key}.{field}"
    return ShownCell(
        state="same" if value else "unlogged",
        text=value or "not logged",
        name=name,
        typed=typed.get(name, value),
        label=f"{word} of take {take.label}",
        numeric=False,
        offers=f"values-{field}",
    )


def _named_for_all(field: str, word: str, typed: Mapping[str, str]) -> ShownCell:
    name = f"all.{field}"
    return ShownCell(
        state="unlogged",
        text="",
        name=name,
        typed=typed.get(name, ""),
        label=f"{word} of all takes not logged yet",
        numeric=False,
        offers=f"values-{field}",
    )


def _for_all(factor: Factor, typed: Mapping[str, str]) -> ShownCell:
    name = f"all.{factor.id}"
    return ShownCell(
        state="unlogged",
        text="",
        name=name,
        typed=typed.get(name, ""),
        label=f"{factor.name} of all takes not logged yet",
        numeric=factor.kind == "numeric",
        offers=f"values-{factor.id}",
    )


def _logged(value: str | float | None) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else f"{value:.10g}"


def _facts(take: TakeView) -> list[str]:
    facts = [f"{decimal(take.seconds, 1)} s, {take.kind}, {sample_rate(take.rate)}"]
    if take.kept_channels:
        word = agreeing(len(take.kept_channels), "channel", "channels")
        facts.append(f"{word} {listed(map(str, take.kept_channels))}")
    if take.music_at_s:
        facts.append(f"music from {take.music_at_s:.2f} s")
    return facts


def _warnings(take: TakeView) -> tuple[str, ...]:
    found = []
    if take.same_as:
        found.append(f"same file as {take.same_as}")
    if take.lossy:
        found.append("lossy")
    return tuple(found)
