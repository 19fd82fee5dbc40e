"""The excerpts and the overview pictures they are marked on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from markupsafe import Markup

from panel.desk import pictures
from panel.prose import cell
from panel.stages.rows import TakeView
from panel.stages.takes.excerpts import ExcerptView

KEYS = "arrow keys move the beginning of the excerpt, with Shift the end, with Alt both"


class Stretch(Protocol):
    """Some seconds of a take."""

    @property
    def start_s(self) -> float: ...
    @property
    def end_s(self) -> float: ...


@dataclass(frozen=True)
class ShownOverview:
    """The picture of one take, and what stands beside it; `keys` says what keys do on it."""

    key: str
    label: str
    facts: str
    picture: Markup
    keys: str


@dataclass(frozen=True)
class ShownSpan:
    """A stretch: in words, as fields hold it, and as a place in the picture's 1000 units."""

    key: str
    name: str
    label: str
    start: str
    end: str
    said_start: str
    said_end: str
    said_seconds: str
    x: str
    width: str


@dataclass(frozen=True)
class ShownMark:
    """A mark on the axis: where, in percent of its length, and its text."""

    at: str
    text: str


@dataclass(frozen=True)
class ShownLevels:
    """The pictures as a table: stretches of time, and the level of each take in them."""

    stretches: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True)
class ShownExcerpts:
    """`spans` are the excerpts, `longest` the seconds that the axis holds."""

    overviews: tuple[ShownOverview, ...]
    longest: float
    spans: tuple[ShownSpan, ...]
    marks: tuple[ShownMark, ...]
    levels: ShownLevels


@dataclass(frozen=True)
class ShownSpanForm:
    """The stretch being marked; `key` is that of the excerpt being moved, "" for a new one."""

    key: str
    start: str
    end: str
    label: str


def shown_excerpts(takes: Sequence[TakeView], excerpts: Sequence[ExcerptView]) -> ShownExcerpts:
    longest = max((take.seconds for take in takes), default=0.0)
    return ShownExcerpts(
        overviews=tuple(
            ShownOverview(
                key=take.key,
                label=take.label,
                facts=_facts(take),
                picture=pictures.overview(take.overview, longest),
                keys=f"Overview of take {take.label}: {KEYS}",
            )
            for take in takes
        ),
        longest=longest,
        spans=tuple(
            shown_span(excerpt, longest, key=excerpt.key, name=excerpt.name, label=excerpt.label)
            for excerpt in excerpts
        ),
        marks=_marks(longest),
        levels=_levels(takes, longest),
    )


def shown_span(
    stretch: Stretch, longest: float, *, key: str = "", name: str = "", label: str = ""
) -> ShownSpan:
    start, end = stretch.start_s, stretch.end_s
    return ShownSpan(
        key=key,
        name=name,
        label=label,
        start=f"{start:.3f}",
        end=f"{end:.3f}",
        said_start=f"{start:.2f}",
        said_end=f"{end:.2f}",
        said_seconds=f"{end - start:.2f}",
        x=f"{1000 * start / longest:.1f}",
        width=f"{1000 * (end - start) / longest:.1f}",
    )


def shown_form(typed: Mapping[str, str]) -> ShownSpanForm:
    return ShownSpanForm(*(typed.get(name, "") for name in ("key", "start", "end", "label")))


def being_moved(excerpt: ExcerptView) -> ShownSpanForm:
    return ShownSpanForm(
        excerpt.key, f"{excerpt.start_s:.3f}", f"{excerpt.end_s:.3f}", excerpt.label
    )


def _facts(take: TakeView) -> str:
    seconds = f"{take.seconds:.1f} s"
    if take.loudness_lufs is None:
        return seconds
    return f"{seconds}, {cell(take.loudness_lufs, 1)} LUFS"


def _marks(longest: float) -> tuple[ShownMark, ...]:
    places = pictures.marks(longest)
    texts = [f"{at:g}" for at in places]
    texts[-1:] = [f"{text} s" for text in texts[-1:]]
    return tuple(
        ShownMark(f"{100 * at / longest:.2f}", text) for at, text in zip(places, texts, strict=True)
    )


def _levels(takes: Sequence[TakeView], longest: float) -> ShownLevels:
    edges = [0.0, *pictures.marks(longest), longest]
    return ShownLevels(
        stretches=tuple(f"{low:g}–{high:.4g}" for low, high in pairwise(edges)),
        rows=tuple(
            (
                take.label,
                tuple(level or "ended" for level in pictures.levels(take.overview, edges)),
            )
            for take in takes
        ),
    )
