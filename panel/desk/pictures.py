"""Pictures at the desk as SVG: overviews of takes, and the power of a plan."""

import math
from collections.abc import Sequence
from itertools import pairwise

from markupsafe import Markup

from panel.study.overview import Overview

WIDTH, HEIGHT = 1000, 90
_QUIET = 0.03  # some 30 dB under the peak


def overview(picture: Overview, span: float, full: float | None = None) -> Markup:
    """The picture of one take on a time axis of `span` seconds that all takes of a page share.

    The loudest place fills the height: takes are to be compared in what happens when, and their
    levels stand in the log; where levels are to be seen, `full` is the sample value that does.
    Decorative (aria-hidden); times stand beside it in words.
    """
    lowest, highest, rms = picture.lowest, picture.highest, picture.rms
    loudest = (
        full or max(max(map(abs, lowest), default=0.0), max(map(abs, highest), default=0.0)) or 1.0
    )
    across = WIDTH * picture.seconds / span if span else WIDTH
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
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none" role="img" '
        f'aria-label="{in_words(picture)}" focusable="false">{ticks}'
        f'<path d="{outline}" class="peak"/><path d="{body}" class="body"/></svg>'
    )


def in_words(picture: Overview) -> str:
    """What the picture of one take shows: from when to when it sounds, and its peak."""
    seconds = picture.seconds
    peaks = [max(abs(a), abs(b)) for a, b in zip(picture.lowest, picture.highest, strict=True)]
    loudest = max(peaks, default=0.0)
    if not loudest:
        return f"Silent, {seconds:.1f} s."
    step = seconds / len(peaks)
    sounding = [i for i, peak in enumerate(peaks) if peak >= loudest * _QUIET]
    at = peaks.index(loudest)
    return (
        f"{seconds:.1f} s of sound: it rises above {_decibels(_QUIET)} dB of its peak from "
        f"{sounding[0] * step:.1f} to {(sounding[-1] + 1) * step:.1f} s, and peaks at "
        f"{(at + 0.5) * step:.1f} s with {_decibels(loudest)} dBFS."
    )


def levels(picture: Overview, edges: Sequence[float]) -> list[str]:
    """RMS level in dBFS between neighbouring edges (in s), "" where the take has ended."""
    rms = picture.rms
    step = picture.seconds / len(rms) if rms else 1.0
    out = []
    for low, high in pairwise(edges):
        there = [value for i, value in enumerate(rms) if low <= (i + 0.5) * step < high]
        mean = (sum(value * value for value in there) / len(there)) ** 0.5 if there else None
        out.append("" if mean is None else _decibels(mean))
    return out


def _decibels(share: float) -> str:
    """Of full scale; with a true minus, and in words below what the picture resolves."""
    if share < 1e-4:
        return "under \N{MINUS SIGN}80"
    return f"{20 * math.log10(share):.0f}".replace("-", "\N{MINUS SIGN}")


def marks(span: float) -> list[float]:
    """Some ten round times on an axis of `span` seconds, without its beginning."""
    if span <= 0:
        return []
    step = next(
        (s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600) if span / s <= 10),
        1800,
    )
    return [step * n for n in range(1, int(span / step + 1e-9) + 1) if step * n < span]


def _round_steps(last: int) -> list[int]:
    """Some five round numbers up to `last`."""
    ten = 10 ** len(str(last))
    sizes = (size * ten // 100 for size in (1, 2, 5, 10, 20, 50))
    step = next((size for size in sizes if size and last / size <= 5), last)
    return list(range(step, last + 1, step)) or [last]


def _band(
    upper: Sequence[float], lower: Sequence[float], step: float, middle: float, scale: float
) -> str:
    there = [f"{step * i:.1f},{middle - value * scale:.1f}" for i, value in enumerate(upper)]
    back = [f"{step * i:.1f},{middle - value * scale:.1f}" for i, value in enumerate(lower)]
    return "M" + "L".join(there) + "L" + "L".join(reversed(back)) + "Z"


def power(lines: Sequence[tuple[float, Sequence[tuple[int, float]]]], planned: int) -> Markup:
    """Power over votes, a line for each d′, told apart by dashes and by a word at its end.

    The same figures stand in the table beside it, so the picture itself is described in short.
    """
    left, top, width, height = 34, 10, 310, 190
    last = max(votes for _, points in lines for votes, _ in points)

    def at(votes: float, share: float) -> tuple[float, float]:
        return left + width * votes / last, top + height * (1 - share)

    parts = []
    for share in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
        _, y = at(0, share)
        kind = "target" if share == 0.8 else "tick"
        parts.append(
            f'<line x1="{left}" x2="{left + width}" y1="{y:.1f}" y2="{y:.1f}" class="{kind}"/>'
            f'<text x="{left - 8}" y="{y + 5:.1f}" text-anchor="end">{share:.1f}</text>'
        )
    for votes in _round_steps(last):
        x, _ = at(votes, 0)
        parts.append(
            f'<text x="{x:.1f}" y="{top + height + 20}" text-anchor="middle">{votes:g}</text>'
        )
    taken: list[float] = []
    for index, (dprime, points) in enumerate(sorted(lines, reverse=True)):
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in (at(n, p) for n, p in points))
        parts.append(f'<polyline points="{path}" class="line line-{index}"/>')
        y = at(*points[-1])[1] + 5
        while any(abs(y - other) < 14 for other in taken):
            y += 1
        taken.append(y)
        parts.append(f'<text x="{left + width + 8}" y="{y:.1f}">d′ {dprime:g}</text>')
    x, _ = at(planned, 0)
    parts.append(
        f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{top}" y2="{top + height}" class="planned"/>'
        f'<text x="{x - 6:.1f}" y="{top + height - 8}" text-anchor="end">planned: {planned}</text>'
        f'<text x="{left + width / 2}" y="{top + height + 40}" text-anchor="middle">'
        "votes across conditions</text>"
    )
    return Markup(
        f'<svg viewBox="0 0 {left + width + 48} {top + height + 46}" role="img" class="power" '
        f'aria-label="Power over votes for four sizes of difference; {planned} votes are planned. '
        f'The table beside gives the figures.">{"".join(parts)}</svg>'
    )
