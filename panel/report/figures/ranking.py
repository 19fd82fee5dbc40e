"""Three or more conditions in order: what each won, and which pairs are shown to be apart."""

from __future__ import annotations

from collections.abc import Sequence

from panel.prose import decimal, listed, percent, percent_range
from panel.report.figures.drawing import (
    MARK,
    PENCIL,
    SMALL,
    Canvas,
    Figure,
    Scale,
    drawn,
    share_scale,
    share_step,
    wrapped,
)
from panel.study.plan import Plan
from panel.study.verdict import RankedPair, Verdict


def order_of_conditions(plan: Plan, verdict: Verdict, contrast_id: str) -> Figure | None:
    """The picture for one question; None where no order was asked for."""
    contrast = plan.contrast(contrast_id)
    entry = verdict.contrast(contrast_id)
    told = entry.numbers.question.ranking if entry.numbers.question else None
    if told is None:
        return None
    attribute = contrast.attribute
    places = list(zip(told.order, told.scores, told.intervals, strict=True))
    apart = [pair for pair in told.pairs if pair.apart]
    title = f"In order: {contrast.name}"
    won = f"Share of comparisons won{f' for more {attribute}' if attribute else ''}"
    description = f"{won}, with intervals that hold together: " + "; ".join(
        f"“{label}” {percent(score)}{f' ({percent_range(span)})' if span else ''}"
        for label, score, span in places
    )
    description += f". {_apart_words(apart, len(told.pairs))}"
    name = f"order-{contrast_id}"
    reach = [v for _, score, span in places for v in (score, *(span or ()))] + [0.5]

    def draw(canvas: Canvas) -> float:
        ends = (10.0, canvas.width - 34) if canvas.narrow else (212.0, canvas.width - 34)
        scale = Scale(0.0, 1.0, *ends) if canvas.narrow else share_scale(reach, *ends)
        height, top = (52.0 if canvas.narrow else 40.0), 26.0
        bottom = top + height * len(places)
        canvas.share_axis(scale, top, bottom, step=share_step(scale, canvas.narrow))
        canvas.text(scale(0.5), 16, "as often won as lost", size=SMALL, anchor="middle",
                    fill=PENCIL)  # fmt: skip
        for index, (label, score, span) in enumerate(places):
            y = top + height * index + (36 if canvas.narrow else height / 2)
            words = f"{index + 1}. {label}"
            if canvas.narrow:
                canvas.blank(y - 35, 26)
                canvas.text(scale.start, y - 16, wrapped(words, 296, most=1)[0])
            else:
                lines = wrapped(words, 196)
                for place, line in enumerate(lines):
                    canvas.text(196, y + 5 + 17 * place - 8.5 * (len(lines) - 1), line,
                                anchor="end")  # fmt: skip
            if span:
                canvas.line(scale(span[0]), y, scale(span[1]), y, stroke=MARK, width=3)
            shown = any(label in (pair.higher, pair.lower) for pair in apart)
            canvas.mark("disc" if shown else "ring", scale(score), y)
        canvas.line(scale(0.5), top, scale(0.5), bottom, dash="4 4")
        return bottom + 28

    return drawn(
        name,
        title,
        description,
        draw,
        f"{_apart_words(apart, len(told.pairs))} Marks: share of all its comparisons that a "
        "condition won; lines: intervals over takes and listeners that hold together. Filled disc: "
        "in a pair that is shown to be apart; ring: in none. Pairs are judged by their difference "
        "(in the table), so two lines may overlap although the order of the two is shown.",
        ("condition, or pair", "share won, or difference", "interval", "order"),
        _rows(places, told.pairs),
    )


def _apart_words(apart: Sequence[RankedPair], pairs: int) -> str:
    if not apart:
        return "No order among them is shown."
    ahead = listed([f"“{pair.higher}” ahead of “{pair.lower}”" for pair in apart])
    rest = pairs - len(apart)
    if not rest:
        return f"Shown: {ahead}."
    return f"Shown: {ahead}; of {'one pair' if rest == 1 else f'{rest} pairs'} it stays open."


def _rows(
    places: Sequence[tuple[str, float, Sequence[float] | None]], pairs: Sequence[RankedPair]
) -> tuple[tuple[str, ...], ...]:
    rows = [
        (label, percent(score, 1), percent_range(span, 1), f"{index + 1}")
        for index, (label, score, span) in enumerate(places)
    ]
    for pair in pairs:
        span = pair.interval
        rows.append(
            (
                f"{pair.higher} over {pair.lower}",
                _points(pair.difference),
                "not given" if span is None else f"{_points(span[0])} to {_points(span[1])}",
                "shown" if pair.apart else "open",
            )
        )
    return tuple(rows)


def _points(difference: float | None) -> str:
    """A difference of shares in percentage points."""
    points = None if difference is None else 100 * difference
    return f"{decimal(points, 1, sign=True)}\N{NO-BREAK SPACE}points"
