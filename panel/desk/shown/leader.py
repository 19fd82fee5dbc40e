"""What the leader tells, as tables of words."""

from dataclasses import dataclass

from panel.errors import BadInput
from panel.prose import cell
from panel.report.figures.drawing import Figure
from panel.stages.takes.leaders_shown import Line, Section, Shown

REMARKS = {"short": "for a quick look", "long": "for noisy rooms and small distortion"}


@dataclass(frozen=True)
class ShownLength:
    """A length to choose for the leader: its key, and what is said of it."""

    key: str
    words: str


@dataclass(frozen=True)
class ShownRate:
    value: str
    words: str


@dataclass(frozen=True)
class ShownPlace:
    """Where a take lies, by its leader."""

    label: str
    at_s: str
    delay_ms: str
    clock_ppm: str
    polarity: str


@dataclass(frozen=True)
class ShownMeasures:
    """What a take's leader measures, in the order of the table's columns."""

    label: str
    cells: tuple[str, ...]


@dataclass(frozen=True)
class ShownLeader:
    """`channel` is the one that is told of, "" where there is one only; `others` can be asked for;
    `without` says which takes have no leader."""

    told: bool
    problem: BadInput | None
    alignment: str
    places: tuple[ShownPlace, ...]
    measures: tuple[ShownMeasures, ...]
    without: str
    channel: str
    others: tuple[int, ...]
    response: Figure | None
    sections: tuple[Section, ...]


def shown_leader(shown: Shown) -> ShownLeader:
    view = shown.view
    several = shown.channels > 1
    return ShownLeader(
        told=bool(view.told),
        problem=view.problem,
        alignment=view.alignment,
        places=tuple(_place(line) for line in shown.lines),
        measures=tuple(_measures(line) for line in shown.lines),
        without=f"Without a leader: {', '.join(view.without)}." if view.without else "",
        channel=str(shown.channel) if several else "",
        others=tuple(n for n in range(1, shown.channels + 1) if n != shown.channel)
        if several
        else (),
        response=shown.response,
        sections=shown.sections,
    )


def shown_lengths(lengths: dict[str, tuple[int, int]]) -> tuple[ShownLength, ...]:
    """The lengths there are, from key → (seconds of the sweep, seconds in all)."""
    return tuple(
        ShownLength(
            key,
            ", ".join([f"{key}: {whole} s in all", *([REMARKS[key]] if key in REMARKS else [])]),
        )
        for key, (_, whole) in lengths.items()
    )


def shown_rates(rates: tuple[int, ...]) -> tuple[ShownRate, ...]:
    return tuple(ShownRate(str(rate), f"{rate:,}") for rate in rates)


def _place(line: Line) -> ShownPlace:
    told = line.told
    delay_ms = None if told.delay_s is None else 1000 * told.delay_s
    return ShownPlace(
        label=told.label,
        at_s=cell(told.at_s, 3),
        delay_ms=cell(delay_ms, 3, sign=True),
        clock_ppm=cell(told.drift_ppm, 2, sign=True),
        polarity="turned" if told.inverted else "as the first",
    )


def _measures(line: Line) -> ShownMeasures:
    second, third = line.harmonics_db[:2]
    return ShownMeasures(
        label=line.told.label,
        cells=(
            cell(line.level_db, 2),
            cell(second, 1),
            cell(third, 1),
            cell(line.noise_dbfs, 1),
            line.hum,
        ),
    )
