"""What the leader tells of the equipment: its response, and how things went over takes or hours."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from panel.prose import ENGLISH, NOTHING, Language, decibels, decimal, hertz, listed
from panel.report.figures.drawing import (
    MARK,
    PENCIL,
    RULE,
    SMALL,
    Canvas,
    Figure,
    Scale,
    Shape,
    drawn,
)

SHAPES: tuple[Shape, ...] = ("disc", "square", "triangle", "ring", "diamond", "cross")
DASHES = ("", "7 4", "2 4", "9 3 2 3", "4 4", "1 3")
TABLE_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""The octave bands' nominal middles (IEC 61260)."""

TOP, BASE, LEFT = 22.0, 232.0, 58.0
_PER_LABEL = 24.0


@dataclass(frozen=True)
class Curve:
    """One take's response: hz ascending, and the level at each in dB."""

    label: str
    hz: Sequence[float]
    level_db: Sequence[float]

    def at(self, hz: float) -> float | None:
        """Between two points on a logarithmic axis; None outside."""
        if not self.hz or not self.hz[0] <= hz <= self.hz[-1]:
            return None
        for i in range(1, len(self.hz)):
            if hz <= self.hz[i]:
                share = math.log(hz / self.hz[i - 1]) / math.log(self.hz[i] / self.hz[i - 1])
                return self.level_db[i - 1] + share * (self.level_db[i] - self.level_db[i - 1])
        return self.level_db[-1]


@dataclass(frozen=True)
class Axis:
    """What runs along the foot: a place for each take. `words`: "hours (h)"."""

    words: str
    places: tuple[float, ...]


@dataclass(frozen=True)
class Series:
    """One thing measured in each take; None where it could not be."""

    label: str
    values: tuple[float | None, ...]


def response(name: str, curves: Sequence[Curve], say: Language = ENGLISH) -> Figure | None:
    """The first take's response, and what all takes span; the table gives each at octaves."""
    curves = [curve for curve in curves if len(curve.hz) > 1]
    if not curves:
        return None
    first = curves[0]
    spans = [
        (hz, min(there), max(there))
        for hz in first.hz
        if (there := [v for c in curves if (v := c.at(hz)) is not None])
    ]
    widest = max(spans, key=lambda span: span[2] - span[1])
    many = len(curves) > 1
    title = say("Response of the equipment")
    description = say(
        "Level over frequency in take {take}, as played in it is flat: from {low} to {high}, at "
        "1 kHz {middle}.",
        take=first.label,
        low=decibels(min(first.level_db), say=say),
        high=decibels(max(first.level_db), say=say),
        middle=decibels(first.at(1000.0), say=say),
    )
    if many:
        description += " " + say(
            "The {takes} takes differ most at {where}, by {range} dB.",
            takes=len(curves),
            where=hertz(round(widest[0], -1 if widest[0] > 100 else 0)),
            range=decimal(widest[2] - widest[1], 2, say=say),
        )

    def draw(canvas: Canvas) -> float:
        lowest, highest = min(s[1] for s in spans), max(s[2] for s in spans)
        up = _up(canvas, lowest, highest)
        along = Scale(spans[0][0], spans[-1][0], LEFT, canvas.width - 14, log=True)
        if many:
            canvas.band(
                [(along(hz), up(high)) for hz, _, high in spans],
                [(along(hz), up(low)) for hz, low, _ in spans],
            )
        canvas.path(
            [(along(hz), up(v)) for hz, v in zip(first.hz, first.level_db, strict=True)],
            stroke=MARK,
        )
        canvas.hz_axis(along, BASE, max(50.0, spans[0][0]), spans[-1][0])
        return BASE + 30

    columns = tuple(hz for hz in TABLE_HZ if spans[0][0] <= hz <= spans[-1][0])
    return drawn(
        name,
        title,
        description,
        draw,
        say(RESPONSE_NOTE[many], take=first.label),
        (say("take"), *(hertz(hz) for hz in columns)),
        tuple(
            (curve.label, *(decibels(curve.at(hz), 2, say) for hz in columns)) for curve in curves
        ),
    )


RESPONSE_NOTE = {
    # of several takes
    False: (
        "Line: take {take}. 0 dB: as loud as a full-scale sweep. A measured difference is not "
        "an audible one."
    ),
    True: (
        "Line: take {take}. Shaded: what all takes span. 0 dB: as loud as a full-scale sweep. "
        "A measured difference is not an audible one."
    ),
}


def over(
    name: str,
    title: str,
    axis: Axis,
    takes: Sequence[str],
    series: Sequence[Series],
    note: str,
    digits: int = 2,
    unit: str = "dB",
    say: Language = ENGLISH,
) -> Figure | None:
    """Series over an axis, a mark for each take; None where fewer than two takes have a value.

    Lines join the means of takes at one place. Levels of None or without a finite value stand in
    the table as a dash and have no mark.
    """
    series = [s for s in series if sum(_is(v) for v in s.values) > 1]
    if not series:
        return None
    finite = [v for s in series for v in s.values if v is not None and math.isfinite(v)]
    low, high = min(axis.places), max(axis.places)
    if low == high:
        return None
    reach = say(
        "Over {axis}, from {low} to {high}.", axis=axis.words, low=f"{low:g}", high=f"{high:g}"
    )
    description = " ".join((reach, *(_course(say, s, axis, digits, unit) for s in series)))

    def draw(canvas: Canvas) -> float:
        legend = _legend(canvas, series)
        up = _up(canvas, min(finite), max(finite), legend, unit)
        margin = 0.03 * (high - low)
        along = Scale(low - margin, high + margin, LEFT, canvas.width - 18)
        for index, one in enumerate(series):
            places: dict[float, list[float]] = {}
            for x, v in zip(axis.places, one.values, strict=True):
                if v is not None and math.isfinite(v):
                    places.setdefault(x, []).append(v)
            means = [(along(x), up(sum(v) / len(v))) for x, v in sorted(places.items())]
            canvas.path(means, stroke=PENCIL, width=1.2, dash=DASHES[index % len(DASHES)])
            for x, values in places.items():
                for v in values:
                    canvas.mark(SHAPES[index % len(SHAPES)], along(x), up(v), 4.5)
        foot = BASE + legend
        for x in _ticks(low, high, 3 if canvas.narrow else 6):
            canvas.line(along(x), foot, along(x), foot + 5)
            canvas.text(along(x), foot + 20, f"{x:g}", size=SMALL, anchor="middle")
        canvas.text(
            (LEFT + canvas.width - 18) / 2,
            foot + 40,
            axis.words,
            size=SMALL,
            anchor="middle",
            fill=PENCIL,
        )
        return foot + 48

    return drawn(
        name,
        title,
        description,
        draw,
        note,
        (say("take"), axis.words, *(s.label for s in series)),
        tuple(
            (label, f"{place:g}", *(_shown(say, s.values[i], digits, unit) for s in series))
            for i, (label, place) in enumerate(zip(takes, axis.places, strict=True))
        ),
    )


def _is(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _shown(say: Language, value: float | None, digits: int, unit: str) -> str:
    if value is None or not math.isfinite(value):
        return say(NOTHING)
    return f"{decimal(value, digits)}\xa0{unit}"


def _course(say: Language, series: Series, axis: Axis, digits: int, unit: str) -> str:
    """ "2nd harmonic: −70.1 dB at first, −64.0 dB at last." """
    there = sorted(
        (x, v) for x, v in zip(axis.places, series.values, strict=True)
        if v is not None and math.isfinite(v)
    )  # fmt: skip
    ends = [
        sum(values) / len(values)
        for place in (there[0][0], there[-1][0])
        if (values := [v for x, v in there if x == place])
    ]
    first, last = (_shown(say, end, digits, unit) for end in ends)
    told = listed((say("{value} at first", value=first), say("{value} at last", value=last)), say)
    return f"{series.label}: {told}."


def _up(
    canvas: Canvas, lowest: float, highest: float, down: float = 0.0, unit: str = "dB"
) -> Scale:
    """A vertical scale with its lines and labels, `down` points lower on the canvas."""
    room = max(highest - lowest, 0.5)
    step = next((s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if room / s <= 6), 100.0)
    low, high = math.floor(lowest / step - 0.1) * step, math.ceil(highest / step + 0.1) * step
    up = Scale(low, high, BASE + down, TOP + down)
    right = canvas.width - 14
    for index in range(round((high - low) / step) + 1):
        value = low + index * step
        canvas.line(LEFT, up(value), right, up(value), stroke=RULE)
        label = decimal(0.0 if abs(value) < step / 1e3 else value, 1 if step < 1 else 0)
        canvas.text(LEFT - 8, up(value) + 5, label, size=SMALL, anchor="end")
    canvas.text(4, TOP + down - 8, unit, size=SMALL, fill=PENCIL)
    canvas.line(LEFT, BASE + down, right, BASE + down)
    return up


def _legend(canvas: Canvas, series: Sequence[Series]) -> float:
    """Marks with their names above the picture; returns the height that they take."""
    columns = 2 if canvas.narrow else 5
    room = (canvas.width - 14) / columns
    for index, one in enumerate(series):
        row, column = divmod(index, columns)
        x, y = 10 + column * room, 12 + row * _PER_LABEL
        canvas.mark(SHAPES[index % len(SHAPES)], x, y, 4.5)
        canvas.text(x + 12, y + 5, one.label, size=SMALL)
    return _PER_LABEL * math.ceil(len(series) / columns)


def _ticks(low: float, high: float, most: int) -> list[float]:
    ten = 10 ** math.floor(math.log10(high - low))
    step = next(s * ten for s in (0.1, 0.2, 0.5, 1, 2, 5, 10) if (high - low) / (s * ten) <= most)
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]
