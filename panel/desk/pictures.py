"""Overview pictures of takes: SVG drawn from the lowest and highest samples of each stretch."""

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

WIDTH, HEIGHT = 1000, 90


def overview(picture: Mapping[str, Any], span: float) -> Markup:
    """The picture of one take on a time axis of `span` seconds that all takes of a page share.

    The loudest place fills the height: takes are to be compared in what happens when, and their
    levels stand in the log. Decorative (aria-hidden); times stand beside it in words.
    """
    lowest, highest, rms = picture["lowest"], picture["highest"], picture["rms"]
    seconds = float(picture["seconds"])
    loudest = max(max(map(abs, lowest), default=0.0), max(map(abs, highest), default=0.0)) or 1.0
    across = WIDTH * seconds / span if span else WIDTH
    step = across / len(lowest)
    middle, half = HEIGHT / 2, HEIGHT / 2 - 2
    outline = _band(highest, lowest, step, middle, half / loudest)
    body = _band(rms, [-value for value in rms], step, middle, half / loudest)
    ticks = "".join(
        f'<line x1="{WIDTH * at / span:.1f}" x2="{WIDTH * at / span:.1f}" y1="0" y2="{HEIGHT}" '
        'class="tick"/>'
        for at in marks(span)
    )
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none" aria-hidden="true" '
        f'focusable="false">{ticks}<path d="{outline}" class="peak"/>'
        f'<path d="{body}" class="body"/></svg>'
    )


def marks(span: float) -> list[float]:
    """Some ten round times on an axis of `span` seconds, without its beginning."""
    if span <= 0:
        return []
    step = next(
        (s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600) if span / s <= 10),
        1800,
    )
    return [step * n for n in range(1, int(span / step + 1e-9) + 1) if step * n < span]


def _band(upper: list[float], lower: list[float], step: float, middle: float, scale: float) -> str:
    there = [f"{step * i:.1f},{middle - value * scale:.1f}" for i, value in enumerate(upper)]
    back = [f"{step * i:.1f},{middle - value * scale:.1f}" for i, value in enumerate(lower)]
    return "M" + "L".join(there) + "L" + "L".join(reversed(back)) + "Z"
