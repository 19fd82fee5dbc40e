"""The measured difference of a question beside what re-recording alone changes."""

from __future__ import annotations

from collections.abc import Sequence

from panel.prose import Language, decibels, hertz, listed
from panel.report.figures.drawing import (
    MARK,
    Canvas,
    Figure,
    Scale,
    Shape,
    drawn,
)
from panel.study.measurement import Band, Measurement


def bands_of(found: Measurement) -> list[Band]:
    """The bands of one question, ascending in frequency."""
    return sorted(found.bands, key=lambda band: band.hz)


def measured_sentence(say: Language, bands: Sequence[Band]) -> str:
    """What may be said from a measurement: larger than retake variability, and where."""
    if any(band.outside is None for band in bands):
        return say(
            "The difference is largest in {band}. There are no retakes to hold against it, so how "
            "much of it is mere re-recording is not known.",
            band=_at(say, bands),
        )
    runs = _runs([bool(band.outside) for band in bands])
    if not runs:
        return say(
            "In no band is the difference larger than what retakes of one condition span; it is "
            "largest in {band}.",
            band=_at(say, bands),
        )
    where = [
        say("at {hz}", hz=hertz(bands[a].hz))
        if a == b
        else say("from {low} to {high}", low=hertz(bands[a].hz), high=hertz(bands[b].hz))
        for a, b in runs
    ]
    return say(
        "In the bands {where} the difference is larger than what retakes of one condition span; "
        "of these it is largest in {band}.",
        where=listed(where, say),
        band=_at(say, [band for band in bands if band.outside]),
    )


def _at(say: Language, bands: Sequence[Band]) -> str:
    largest = max(bands, key=lambda band: abs(band.difference_db))
    return say(
        "the band at {hz}, {level}",
        hz=hertz(largest.hz),
        level=decibels(largest.difference_db, say=say),
    )


def direction_of(say: Language, found: Measurement) -> str:
    """Which condition is held against which, in the names that were measured under."""
    return say("“{last}” over “{first}”", last=found.last, first=found.first)


def measured_difference(say: Language, found: Measurement) -> Figure | None:
    """Third-octave level difference over frequency with the band spanned by retakes."""
    bands = bands_of(found)
    if len(bands) < 2:
        return None
    title = say("Measured difference: {name}", name=found.name)
    direction = direction_of(say, found)
    level = say("Level of {direction} in third octaves.", direction=direction)
    description = f"{level} {measured_sentence(say, bands)}"
    name = f"measured-{found.id}"

    def draw(canvas: Canvas) -> float:
        left, top, base = 56.0, 28.0, 236.0
        reach = max(0.5, *(abs(v) for b in bands for v in _levels(b) if v is not None))
        up = canvas.difference_axis(reach, left, base, top)
        along = Scale(bands[0].hz / 1.12, bands[-1].hz * 1.12, left, canvas.width - 14, log=True)
        for run in _stretches(bands):
            canvas.band(
                [(along(b.hz), up(b.retake_high_db or 0.0)) for b in run],
                [(along(b.hz), up(b.retake_low_db or 0.0)) for b in run],
            )
        canvas.line(left, up(0), canvas.width - 14, up(0), width=1.5)
        canvas.path([(along(b.hz), up(b.difference_db)) for b in bands], stroke=MARK)
        for band in bands:
            shape: Shape = "ring" if band.outside is False else "disc"
            canvas.mark(
                shape, along(band.hz), up(band.difference_db), 3.8 if canvas.narrow else 4.5
            )
        canvas.hz_axis(along, base, max(50.0, bands[0].hz), bands[-1].hz)
        canvas.line(left, base, canvas.width - 14, base)
        return base + 30

    banded = all(band.outside is not None for band in bands)
    note = (
        say("Level of {direction}, after overall level and delay are removed.",
            direction=direction),
        say("Shaded: what retakes of one condition span. Filled discs lie outside it, rings "
            "inside.")
        if banded
        else say(NO_RETAKES),
        say(NOT_AUDIBLE),
    )  # fmt: skip
    return drawn(
        name,
        title,
        description,
        draw,
        " ".join(note),
        (say("band"), say("difference"), say("retakes from"), say("to"), say("outside")),
        tuple(
            (
                hertz(b.hz),
                decibels(b.difference_db, 2, say),
                decibels(b.retake_low_db, 2, say),
                decibels(b.retake_high_db, 2, say),
                say(OUTSIDE[b.outside]),
            )
            for b in bands
        ),
    )


NO_RETAKES = "There are no retakes to compare with."
NOT_AUDIBLE = "A measured difference is not an audible one: only votes say that."
OUTSIDE = {True: "yes", False: "no", None: "not known"}


def _levels(band: Band) -> tuple[float | None, ...]:
    return band.difference_db, band.retake_low_db, band.retake_high_db


def _runs(flags: Sequence[bool]) -> list[tuple[int, int]]:
    """First and last index of each stretch of True."""
    out: list[tuple[int, int]] = []
    for index, flag in enumerate(flags):
        if flag and out and out[-1][1] == index - 1:
            out[-1] = (out[-1][0], index)
        elif flag:
            out.append((index, index))
    return out


def _stretches(bands: Sequence[Band]) -> list[list[Band]]:
    runs = _runs([band.outside is not None for band in bands])
    return [list(bands[a : b + 1]) for a, b in runs if b > a]
