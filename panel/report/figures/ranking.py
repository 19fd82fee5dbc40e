"""Three or more conditions in order: what each won, and which pairs are shown to be apart."""

from __future__ import annotations

from collections.abc import Sequence

from panel.analysis.wording.ranking import ahead_words
from panel.prose import NOTHING, Language, decimal, listed, percent, percent_range
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


def order_of_conditions(
    say: Language, plan: Plan, verdict: Verdict, contrast_id: str
) -> Figure | None:
    """The picture for one question; None where no order was asked for."""
    contrast = plan.contrast(contrast_id)
    entry = verdict.contrast(contrast_id)
    told = entry.numbers.question.ranking if entry.numbers.question else None
    if told is None:
        return None
    places = list(zip(told.order, told.scores, told.intervals, strict=True))
    apart = [pair for pair in told.pairs if pair.apart]
    title = say("In order: {name}", name=contrast.name)
    won = (
        ("Share of comparisons won for more {attribute}, with intervals that hold together: "
           "{places}.")
        if contrast.attribute
        else "Share of comparisons won, with intervals that hold together: {places}."
    )  # fmt: skip
    scores = "; ".join(
        f"“{label}” {percent(score, say=say)}{f' ({percent_range(span, say=say)})' if span else ''}"
        for label, score, span in places
    )
    shown_apart = _apart_words(say, apart, len(told.pairs))
    description = f"{say(won, attribute=contrast.attribute, places=scores)} {shown_apart}"
    name = f"order-{contrast_id}"
    reach = [v for _, score, span in places for v in (score, *(span or ()))] + [0.5]

    def draw(canvas: Canvas) -> float:
        ends = (10.0, canvas.width - 34) if canvas.narrow else (212.0, canvas.width - 34)
        scale = Scale(0.0, 1.0, *ends) if canvas.narrow else share_scale(reach, *ends)
        height, top = (52.0 if canvas.narrow else 40.0), 26.0
        bottom = top + height * len(places)
        canvas.share_axis(scale, top, bottom, step=share_step(scale, canvas.narrow))
        canvas.text(scale(0.5), 16, say("as often won as lost"), size=SMALL, anchor="middle",
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
        f"{shown_apart} {say(MARKS)}",
        (
            say("condition, or pair"),
            say("share won, or difference"),
            say("interval"),
            say("order"),
        ),
        _rows(say, places, told.pairs),
    )


MARKS = (
    "Marks: share of all its comparisons that a condition won; lines: intervals over takes and "
    "listeners that hold together. Filled disc: in a pair that is shown to be apart; ring: in "
    "none. Pairs are judged by their difference (in the table), so two lines may overlap although "
    "the order of the two is shown."
)


def _apart_words(say: Language, apart: Sequence[RankedPair], pairs: int) -> str:
    if not apart:
        return say("No order among them is shown.")
    ahead = listed((ahead_words(say, pair.higher, pair.lower) for pair in apart), say)
    rest = pairs - len(apart)
    if not rest:
        return say("Shown: {ahead}.", ahead=ahead)
    return say.count(
        rest,
        "Shown: {ahead}; of one pair it stays open.",
        "Shown: {ahead}; of {n} pairs it stays open.",
        ahead=ahead,
    )


def _rows(
    say: Language,
    places: Sequence[tuple[str, float, Sequence[float] | None]],
    pairs: Sequence[RankedPair],
) -> tuple[tuple[str, ...], ...]:
    rows = [
        (label, percent(score, 1, say), percent_range(span, 1, say), f"{index + 1}")
        for index, (label, score, span) in enumerate(places)
    ]
    for pair in pairs:
        span = pair.interval
        rows.append(
            (
                say("{higher} over {lower}", higher=pair.higher, lower=pair.lower),
                _points(say, pair.difference),
                say(NOTHING) if span is None else _span(say, span),
                say("shown") if pair.apart else say("open"),
            )
        )
    return tuple(rows)


def _span(say: Language, span: Sequence[float | None]) -> str:
    low, high = (_points(say, end) for end in span)
    return say("{low} to {high}", low=low, high=high)


def _points(say: Language, difference: float | None) -> str:
    """A difference of shares in percentage points."""
    points = None if difference is None else 100 * difference
    return say("{number}\N{NO-BREAK SPACE}points", number=decimal(points, 1, sign=True, say=say))
