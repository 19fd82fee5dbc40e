"""SVG by hand: a canvas that escapes every text, axes, and marks told apart by shape.

Colours are CSS variables of the page with a fallback, so that light, dark and print work; a
colour never carries a meaning alone. Each picture is drawn twice, for a wide and for a narrow
column, so that text stays legible on a phone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

from panel.prose import decibels, hertz

WIDE, NARROW = 640, 320
TEXT = 15.0
SMALL = 13.5
# Average width of a letter of the page's font, in units of its size (measured, on the safe side).
LETTER = 0.53

INK = "currentColor"
MARK = "var(--mark, #8f3b1f)"
CARD = "var(--card, #fbf7ee)"
BAND = "var(--band, #d9ccb3)"
PENCIL = "var(--pencil, #5f574c)"
RULE = "var(--rule, #cfc5b2)"

Shape = Literal["disc", "ring", "square", "triangle", "cross", "diamond"]


@dataclass(frozen=True)
class Figure:
    """A picture with its words and the table behind it.

    `wide` and `narrow` are whole svg elements; show one of them. `note` explains the marks.
    """

    name: str
    title: str
    description: str
    wide: str
    narrow: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Scale:
    """A linear or logarithmic map from values to places on the canvas."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def __call__(self, value: float) -> float:
        low, high, value = (
            (math.log(self.low), math.log(self.high), math.log(max(value, 1e-300)))
            if self.log
            else (self.low, self.high, value)
        )
        share = (value - low) / (high - low)
        return self.start + min(1.0, max(0.0, share)) * (self.end - self.start)


class Canvas:
    """Collects elements; `svg()` closes them into one picture with title and description."""

    def __init__(self, width: float) -> None:
        self.width = width
        self.narrow = width < 480
        self._parts: list[str] = []

    def line(
        self, x1: float, y1: float, x2: float, y2: float, *, stroke: str = INK,
        width: float = 1, dash: str = "",
    ) -> None:  # fmt: skip
        self._parts.append(
            f'<line x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}" stroke="{stroke}" '
            f'stroke-width="{_n(width)}"{_dash(dash)}/>'
        )

    def rect(
        self, x: float, y: float, width: float, height: float, *, fill: str = INK,
        opacity: float = 1,
    ) -> None:  # fmt: skip
        faint = f' fill-opacity="{_n(opacity)}"' if opacity < 1 else ""
        self._parts.append(
            f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(max(0, width))}" '
            f'height="{_n(max(0, height))}" fill="{fill}"{faint}/>'
        )

    def blank(self, y: float, height: float) -> None:
        """Clear a strip across the picture, so that words in it meet no line."""
        self.rect(0, y, self.width, height, fill=CARD)

    def path(
        self, points: Sequence[tuple[float, float]], *, stroke: str = INK, fill: str = "none",
        width: float = 2, dash: str = "", closed: bool = False,
    ) -> None:  # fmt: skip
        if not points:
            return
        steps = " ".join(f"{_n(x)} {_n(y)}" for x, y in points)
        self._parts.append(
            f'<path d="M{steps}{"Z" if closed else ""}" stroke="{stroke}" fill="{fill}" '
            f'stroke-width="{_n(width)}" stroke-linejoin="round"{_dash(dash)}/>'
        )

    def mark(
        self, shape: Shape, x: float, y: float, size: float = 6.5, *, colour: str = MARK
    ) -> None:
        """A mark of about `size` in radius: filled, but for the open ring and the cross."""
        if shape in ("disc", "ring"):
            fill = colour if shape == "disc" else CARD
            self._parts.append(
                f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(size)}" fill="{fill}" '
                f'stroke="{colour}" stroke-width="{_n(size / 2.6)}"/>'
            )
        elif shape == "square":
            side = 1.7 * size
            self.rect(x - side / 2, y - side / 2, side, side, fill=colour)
        elif shape == "cross":
            reach = 0.8 * size
            self.line(x - reach, y - reach, x + reach, y + reach, stroke=colour, width=2)
            self.line(x - reach, y + reach, x + reach, y - reach, stroke=colour, width=2)
        else:
            corners = (
                [(x, y - 1.1 * size), (x + 1.1 * size, y + 0.8 * size),
                 (x - 1.1 * size, y + 0.8 * size)]
                if shape == "triangle"
                else [(x, y - 1.3 * size), (x + size, y), (x, y + 1.3 * size), (x - size, y)]
            )  # fmt: skip
            self.path(corners, stroke=colour, fill=colour, width=1, closed=True)

    def text(
        self, x: float, y: float, words: str, *, size: float = TEXT, anchor: str = "start",
        bold: bool = False, italic: bool = False, fill: str = INK, halo: bool = False,
    ) -> None:  # fmt: skip
        """Text on one line; with a `halo` it stays legible over lines."""
        edge = f' stroke="{CARD}" stroke-width="4" paint-order="stroke"' if halo else ""
        weight = ' font-weight="700"' if bold else ""
        style = ' font-style="italic"' if italic else ""
        self._parts.append(
            f'<text x="{_n(x)}" y="{_n(y)}" font-size="{_n(size)}" text-anchor="{anchor}" '
            f'fill="{fill}"{weight}{style}{edge}>{escape(clean(words))}</text>'
        )

    def share_axis(self, scale: Scale, top: float, y: float, *, step: float) -> None:
        """A horizontal axis in percent at `y`, with faint lines up to `top`."""
        self.line(scale.start, y, scale.end, y)
        ticks = round((scale.high - scale.low) / step)
        for index in range(ticks + 1):
            value = scale.low + index * step
            x = scale(value)
            self.line(x, top, x, y, stroke=RULE)
            self.line(x, y, x, y + 5)
            last = index == ticks
            self.text(
                x + (9 if last else 0), y + 20, f"{100 * value:.0f}{' %' if last else ''}",
                size=SMALL, anchor="middle",
            )  # fmt: skip

    def hz_axis(self, along: Scale, y: float, low: float, high: float) -> None:
        """Ticks and labels of frequency at `y`, those from `low` to `high`."""
        for hz in (100, 1000, 10000) if self.narrow else (20, 50, 100, 200, 500, 1000, 2000, 5000,
                                                          10000):  # fmt: skip
            if low <= hz <= high:
                self.line(along(hz), y, along(hz), y + 5)
                self.text(along(hz), y + 20, hertz(hz), size=SMALL, anchor="middle")

    def difference_axis(self, reach: float, left: float, base: float, top: float) -> Scale:
        """A vertical scale in dB, as far below zero as above and at least to `reach`."""
        step = next((s for s in (0.25, 0.5, 1, 2, 5, 10, 20) if reach / s <= 3.5), 50.0)
        reach = math.ceil(reach / step - 1e-9) * step
        up = Scale(-reach, reach, base, top)
        for index in range(-round(reach / step), round(reach / step) + 1):
            value = index * step
            self.line(left, up(value), self.width - 14, up(value), stroke=RULE)
            label = decibels(value, 2 if step < 0.5 else 1).removesuffix("\xa0dB")
            self.text(left - 8, up(value) + 5, label, size=SMALL, anchor="end")
        self.text(4, 14, "dB", size=SMALL, fill=PENCIL)
        return up

    def band(
        self, upper: Sequence[tuple[float, float]], lower: Sequence[tuple[float, float]]
    ) -> None:
        """The shaded space between two lines that run the same way."""
        self.path([*upper, *reversed(lower)], stroke=PENCIL, fill=BAND, width=1, closed=True)

    def svg(self, name: str, title: str, description: str, height: float) -> str:
        """The whole picture. `name` must be unique on the page."""
        key = f"{re.sub(r'[^A-Za-z0-9_-]', '-', name)}-{'narrow' if self.narrow else 'wide'}"
        return (
            f'<svg viewBox="0 0 {_n(self.width)} {_n(height)}" '
            f'xmlns="http://www.w3.org/2000/svg" role="img" '
            f"aria-labelledby={quoteattr(f'{key}-t {key}-d')} "
            'font-family="inherit" fill="none">'
            f'<title id="{key}-t">{escape(clean(title))}</title>'
            f'<desc id="{key}-d">{escape(clean(description))}</desc>'
            f"{''.join(self._parts)}</svg>"
        )


def drawn(
    name: str,
    title: str,
    description: str,
    draw: Callable[[Canvas], float],
    note: str,
    columns: tuple[str, ...],
    rows: tuple[tuple[str, ...], ...],
) -> Figure:
    """The figure that `draw` puts on a wide and on a narrow canvas; it returns the height."""

    def svg(width: float) -> str:
        canvas = Canvas(width)
        return canvas.svg(name, title, description, draw(canvas))

    return Figure(name, title, description, svg(WIDE), svg(NARROW), note, columns, rows)


def clean(words: str) -> str:
    """Without the control characters that XML does not allow."""
    return (
        "".join(c for c in words if c >= " " or c in "\t\n")
        .replace("\ufffe", "")
        .replace("\uffff", "")
    )


def wrapped(words: str, width: float, size: float = TEXT, most: int = 2) -> list[str]:
    """Words in at most `most` lines of about `width`; what does not fit ends in an ellipsis."""
    room = max(4, int(width / (LETTER * size)))
    lines: list[str] = []
    for word in words.split():
        if lines and len(lines[-1]) + 1 + len(word) <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    cut = len(lines) > most
    lines = lines[:most] or [""]
    for index, line in enumerate(lines):
        if len(line) > room or (cut and index == most - 1):
            lines[index] = line[: room - 1].rstrip() + "…"
    return lines


def share_scale(values: Sequence[float], start: float, end: float) -> Scale:
    """A scale of shares that holds the values, from one tenth to another."""
    low = math.floor(max(0.0, min(values) - 0.02) * 10) / 10
    high = math.ceil(min(1.0, max(values) + 0.02) * 10 - 1e-9) / 10
    if high - low < 0.3:
        low, high = max(0.0, low - 0.1), min(1.0, high + 0.1)
    return Scale(low, high, start, end)


def share_step(scale: Scale, narrow: bool) -> float:
    """Distance of ticks so that their labels do not touch, dividing the scale evenly."""
    tenths = round(10 * (scale.high - scale.low))
    if not narrow or tenths <= 6:
        return 0.1
    return next((k / 10 for k in (2, 3, 4, 5) if tenths % k == 0 and tenths / k <= 6), 0.1 * tenths)


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def _dash(dash: str) -> str:
    return f' stroke-dasharray="{dash}"' if dash else ""
