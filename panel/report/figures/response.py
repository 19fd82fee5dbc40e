"""The transfer function from one condition to another, with the coherence that bears it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from panel.prose import Language, decibels, decimal, hertz
from panel.report.figures.drawing import (
    MARK,
    PENCIL,
    RULE,
    SMALL,
    Canvas,
    Figure,
    Scale,
    drawn,
)
from panel.report.figures.measured import NO_RETAKES, NOT_AUDIBLE, direction_of
from panel.study.measurement import Measurement, ResponsePoint

SURE = 0.95
"""Coherence from which the line is drawn whole: under it, noise moves it by tenths of a dB."""

_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)  # IEC 61260-1:2014, annex E


def points_of(found: Measurement) -> list[ResponsePoint]:
    """The bands of one question's transfer function, ascending."""
    return sorted(found.response, key=lambda point: point.hz)


def response_difference(say: Language, found: Measurement) -> Figure | None:
    """Gain over frequency with what retakes differ by, and the coherence below it."""
    points = points_of(found)
    if len(points) < 8:
        return None
    title = say("Gain by frequency (transfer function): {name}", name=found.name)
    direction = direction_of(say, found)
    largest = max(points, key=lambda point: abs(point.gain_db))
    weak = [point for point in points if point.coherence < SURE]
    description = say(
        "Transfer function of {direction} from {low} to {high}. It is furthest from zero at {at}, "
        "{gain}. Coherence is {sure} or more in {strong} of {bands} bands.",
        direction=direction,
        low=hertz(_round(points[0].hz)),
        high=hertz(_round(points[-1].hz)),
        at=hertz(_round(largest.hz)),
        gain=decibels(largest.gain_db, 2, say),
        sure=decimal(SURE, 2, say=say),
        strong=len(points) - len(weak),
        bands=len(points),
    )
    name = f"response-{found.id}"

    def draw(canvas: Canvas) -> float:
        left, top, base, bottom = 56.0, 28.0, 206.0, 272.0
        reach = max(0.5, *(abs(p.gain_db) for p in points), *(p.retakes_db or 0.0 for p in points))
        up = canvas.difference_axis(reach, left, base, top)
        trust = Scale(0.5, 1.0, bottom, base + 26)
        along = Scale(points[0].hz, points[-1].hz, left, canvas.width - 14, log=True)
        if all(point.retakes_db is not None for point in points):
            canvas.band(
                [(along(p.hz), up(p.retakes_db or 0.0)) for p in points],
                [(along(p.hz), up(-(p.retakes_db or 0.0))) for p in points],
            )
        canvas.line(left, up(0), canvas.width - 14, up(0), width=1.5)
        for run, sure in _runs(points):
            line = [(along(p.hz), up(p.gain_db)) for p in run]
            canvas.path(line, stroke=MARK, dash="" if sure else "4 4")
        for value in (0.5, 1.0):
            canvas.line(left, trust(value), canvas.width - 14, trust(value), stroke=RULE)
            canvas.text(left - 8, trust(value) + 5, decimal(value, 1), size=SMALL, anchor="end")
        canvas.path([(along(p.hz), trust(p.coherence)) for p in points], width=1.5)
        canvas.text(left + 4, base + 20, say("coherence"), size=SMALL, fill=PENCIL, halo=True)
        canvas.hz_axis(along, bottom, points[0].hz, points[-1].hz)
        canvas.line(left, bottom, canvas.width - 14, bottom)
        return bottom + 30

    banded = all(point.retakes_db is not None for point in points)
    note = (
        say("Gain of {direction} at each frequency, from cross-spectra of the clips.",
            direction=direction),
        say("Shaded: what two retakes of one condition differ by at most, both ways.")
        if banded
        else say(NO_RETAKES),
        say("Broken line: coherence under {sure}, so noise is part of it.",
            sure=decimal(SURE, 2, say=say)),
        say(NOT_AUDIBLE),
    )  # fmt: skip
    return drawn(
        name,
        title,
        description,
        draw,
        " ".join(note),
        (
            say("third octave"),
            say("gain"),
            say("retakes differ by up to"),
            say("lowest coherence"),
        ),
        tuple(_rows(say, points)),
    )


def _rows(say: Language, points: Sequence[ResponsePoint]) -> list[tuple[str, ...]]:
    """A row for each third octave (IEC 61260-1, base ten): the mean gain of the bands in it."""
    there: dict[int, list[ResponsePoint]] = {}
    for point in points:
        there.setdefault(round(10 * math.log10(point.hz / 1000)), []).append(point)
    rows: list[tuple[str, ...]] = []
    for index, members in sorted(there.items()):
        retakes = [p.retakes_db for p in members if p.retakes_db is not None]
        decade, place = divmod(index, 10)
        rows.append(
            (
                hertz(_NOMINAL[place] * 10 ** (decade + 3)),
                decibels(sum(p.gain_db for p in members) / len(members), 2, say),
                f"{decimal(max(retakes), 2, say=say)}\N{NO-BREAK SPACE}dB"
                if retakes
                else say("not known"),
                decimal(min(p.coherence for p in members), 3, say=say),
            )
        )
    return rows


def _runs(points: Sequence[ResponsePoint]) -> list[tuple[list[ResponsePoint], bool]]:
    """Stretches of the line by whether coherence bears them; neighbours share their end."""
    runs: list[tuple[list[ResponsePoint], bool]] = []
    for before, after in pairwise(points):
        sure = min(before.coherence, after.coherence) >= SURE
        if runs and runs[-1][1] == sure:
            runs[-1][0].append(after)
        else:
            runs.append(([before, after], sure))
    return runs


def _round(hz: float) -> float:
    """Three digits are enough to read."""
    return float(f"{hz:.3g}")
