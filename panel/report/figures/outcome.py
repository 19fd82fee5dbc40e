"""Pictures of the outcome: every contrast against chance, and the share who can hear it.

Each is drawn from the plan, the verdict and the vote table only, and comes with alternative text
and the table behind it. The other pictures are in figures_listeners.py, figures_takes.py,
figures_measured.py and figures_course.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from panel.prose import Language, percent, percent_down, percent_range, percent_up
from panel.report.figures.drawing import (
    INK,
    MARK,
    PENCIL,
    SMALL,
    Canvas,
    Figure,
    Scale,
    Shape,
    drawn,
    share_scale,
    share_step,
    wrapped,
)
from panel.study.conditions import Condition
from panel.study.plan import Contrast, Plan
from panel.study.verdict import CLAIMED, ContrastVerdict, Verdict

VERDICT_WORDS = {
    "heard": "heard",
    "not_heard": "not heard",
    "rerecording_too": "so is re-recording",
    "recordings_differ": "these recordings differ",
    "not_enough": "not enough yet",
    "preferred": "preferred",
    "no_preference": "no preference",
    "divided": "divided",
}
RETAKES = "Retakes of the same"


@dataclass(frozen=True)
class Row:
    """One line of a picture of shares."""

    label: str
    what: str
    verdict: str
    shape: Shape
    dashed: bool
    chance: float
    share: float
    interval: tuple[float, float]


def all_of(plan: Plan, verdict: Verdict) -> list[tuple[Contrast, ContrastVerdict]]:
    """(contrast of the plan, its verdict): questions each with their control, checks last."""
    found = {entry.id: entry for entry in verdict.contrasts}
    pairs = [(c, found[c.id]) for c in plan.contrasts if c.id in found]
    return sorted(pairs, key=lambda pair: pair[0].role == "planted_check")


def role_shape(role: str, code: str) -> Shape:
    """The mark of a role: square for retakes, triangle for the planted check; a question is a
    filled disc where a difference is claimed, else a ring."""
    if role == "retake_control":
        return "square"
    if role == "planted_check":
        return "triangle"
    return "disc" if code in CLAIMED else "ring"


def forest_rows(say: Language, plan: Plan, verdict: Verdict) -> list[Row]:
    """The contrasts that have a share with an interval."""
    rows = []
    for contrast, entry in all_of(plan, verdict):
        numbers = entry.numbers
        share, interval = numbers.share_right, numbers.interval
        if share is None or interval is None or entry.correct is None:
            continue
        kind = contrast.asked_by
        role = contrast.role
        what = say(
            "{some} of {all} {counted}",
            some=f"{entry.correct:,}",
            all=f"{entry.trials:,}",
            counted=favour(say, contrast) if role == "question" else say("right"),
        )
        rows.append(
            Row(
                label=say(RETAKES) if contrast.of else contrast.name,
                what=what,
                verdict=say(VERDICT_WORDS[entry.verdict]),
                shape=role_shape(role, entry.verdict),
                dashed=role == "retake_control",
                chance=kind.chance,
                share=share,
                interval=interval,
            )
        )
    return rows


def forest(say: Language, plan: Plan, verdict: Verdict) -> Figure | None:
    """Share right (or for the later condition) of each contrast, with interval, against chance."""
    rows = forest_rows(say, plan, verdict)
    if not rows:
        return None
    confidence = percent(plan.confidence, say=say)
    title = say("Each comparison against chance")
    description = " ".join(
        say(
            "{label}: {share} {what}, interval {interval}, chance {chance}; {verdict}.",
            label=row.label,
            share=percent(row.share, say=say),
            what=row.what,
            interval=percent_range(row.interval, say=say),
            chance=percent(row.chance, say=say),
            verdict=row.verdict,
        )
        for row in rows
    )
    return drawn(
        "forest",
        title,
        description,
        lambda canvas: _forest(say, canvas, rows),
        say(
            "Marks are means of listeners' own shares of votes, each listener counting once; lines "
            "are their {confidence} intervals, which are long with few listeners. Filled disc: a "
            "claim about the change; ring: no such claim; square with a broken line: retakes, that "
            "is two recordings of the same condition; triangle: planted check, a difference put in "
            "to see whether listeners can hear one. The dashed upright is chance: what guessing "
            "gives.",
            confidence=confidence,
        ),
        (
            say("comparison"),
            say("share"),
            say("{confidence} interval", confidence=confidence),
            say("counted"),
            say("chance"),
            say("verdict"),
        ),
        tuple(
            (
                row.label,
                percent(row.share, 1, say),
                percent_range(row.interval, 1, say),
                row.what,
                percent(row.chance, 1, say),
                row.verdict,
            )
            for row in rows
        ),
    )


def _forest(say: Language, canvas: Canvas, rows: Sequence[Row]) -> float:
    values = [v for row in rows for v in (*row.interval, row.chance)]
    scale = share_scale(
        values, *((10.0, canvas.width - 34) if canvas.narrow else (212.0, canvas.width - 138))
    )
    labels = [wrapped(row.label, 196 if not canvas.narrow else 296) for row in rows]
    whats = [
        wrapped(f"{row.verdict}; {row.what}", 300, SMALL, most=1)
        if canvas.narrow
        else wrapped(row.what, 196, SMALL)
        for row in rows
    ]
    extra = [17.0 * (len(label) + len(what) - 2) for label, what in zip(labels, whats, strict=True)]
    heights = [(68.0 if canvas.narrow else 52.0) + more for more in extra]
    top = 24.0
    bottom = top + sum(heights)
    canvas.share_axis(scale, top, bottom, step=share_step(scale, canvas.narrow))
    canvas.text(scale(rows[0].chance), 15, say("chance"), size=SMALL, anchor="middle", fill=PENCIL)
    y = top
    for row, label, what, more, height in zip(rows, labels, whats, extra, heights, strict=True):
        x = scale(row.chance)
        retake = row.shape == "square"
        if canvas.narrow:
            line = y + more + 52
            canvas.blank(y + 1, 39 + more)
            place, anchor, first = scale.start, "start", y + 18
        else:
            line = y + height / 2
            place, anchor, first = 196.0, "end", line - 3 - more / 2
        for index, words in enumerate(label):
            canvas.text(place, first + 17 * index, words, anchor=anchor, italic=retake)
        for index, words in enumerate(what, start=len(label)):
            canvas.text(place, first + 17 * index, words, size=SMALL, anchor=anchor, fill=PENCIL)
        if canvas.narrow:
            canvas.line(x, y + more + 40, x, y + height, dash="4 4")
        else:
            canvas.line(x, y, x, y + height, dash="4 4")
            told = wrapped(row.verdict, 112, most=3)
            for index, words in enumerate(told):
                canvas.text(scale.end + 20, line + 5 + 17 * (index - (len(told) - 1) / 2), words)
        colour = INK if row.shape in ("square", "triangle") else MARK
        low, high = (scale(value) for value in row.interval)
        canvas.line(low, line, high, line, stroke=colour, width=3, dash="3 3" if row.dashed else "")
        canvas.mark(row.shape, scale(row.share), line, colour=colour)
        y += height
    return bottom + 28


def share_bound(say: Language, plan: Plan, verdict: Verdict) -> Figure | None:
    """Between which bounds the share of listeners lies who can hear it, against the limit."""
    rows = []
    for contrast, entry in all_of(plan, verdict):
        numbers = entry.numbers
        low, high = numbers.share_lower, numbers.share_upper
        if high is None or contrast.role == "planted_check":
            continue
        label = say(RETAKES) if contrast.of else contrast.name
        rows.append((label, contrast, entry, low or 0.0, numbers.share_estimate, high))
    if not rows:
        return None
    limit = plan.limit
    title = say("How many such listeners hear it, as if they always did")
    of_limit = say("the plan's limit, {limit}", limit=percent(limit, say=say))
    own = say("The plan's limit for “not heard” is {limit}.", limit=percent(limit, say=say))
    bounds = (
        say(
            "{label}: at least {least}, at most {most}.",
            label=label,
            least=percent_down(low),
            most=percent_up(high),
        )
        for label, _, _, low, _, high in rows
    )
    description = " ".join((own, *bounds))

    def draw(canvas: Canvas) -> float:
        scale = Scale(
            0.0, 1.0, *((10.0, canvas.width - 34) if canvas.narrow else (212.0, canvas.width - 138))
        )
        height, top = (50.0 if canvas.narrow else 40.0), 24.0
        bottom = top + height * len(rows)
        canvas.share_axis(scale, top, bottom, step=0.2)
        canvas.line(scale(limit), top, scale(limit), bottom, dash="6 3", width=1.5)
        canvas.text(
            scale(limit), 15, of_limit, size=SMALL,
            anchor="middle" if 0.2 <= limit <= 0.75 else "start", fill=PENCIL,
        )  # fmt: skip
        for index, (label, contrast, entry, low, estimate, high) in enumerate(rows):
            y = top + height * index + (34 if canvas.narrow else height / 2)
            retake = contrast.role == "retake_control"
            if canvas.narrow:
                canvas.blank(y - 33, 25)
                words = wrapped(f"{_between(say, low, high)}: {label}", 300, most=1)[0]
                canvas.text(scale.start, y - 14, words, italic=retake)
            else:
                lines = wrapped(label, 196)
                for place, words in enumerate(lines):
                    canvas.text(196, y + 5 + 17 * place - 8.5 * (len(lines) - 1), words,
                                anchor="end", italic=retake)  # fmt: skip
                canvas.text(scale.end + 20, y + 5, _between(say, low, high))
            colour = INK if retake else MARK
            canvas.line(scale(low), y, scale(high), y, stroke=colour, width=3,
                        dash="3 3" if retake else "")  # fmt: skip
            for edge in (low, high):
                canvas.line(scale(edge), y - 7, scale(edge), y + 7, stroke=colour, width=3)
            if estimate is not None:
                shape = role_shape(contrast.role, entry.verdict)
                canvas.mark(shape, scale(estimate), y, 5.5, colour=colour)
        return bottom + 28

    return drawn(
        "share-bound",
        title,
        description,
        draw,
        say(
            "Shares of people. “Can hear” means: always hears it in this task, or else guesses. "
            "The share lies between the two uprights; each of them is a limit at {confidence} by "
            "itself, the mark is the best estimate. Several votes of one listener count as one "
            "person. “Not heard” needs the right upright under the limit that the plan set.",
            confidence=percent(plan.confidence, say=say),
        ),
        (say("comparison"), say("at least"), say("estimate"), say("at most"), say("limit")),
        tuple(
            (
                label,
                percent_down(low, 1),
                percent(estimate, 1, say),
                percent_up(high, 1),
                percent(limit, say=say),
            )
            for label, _, _, low, estimate, high in rows
        ),
    )


def _between(say: Language, low: float, high: float) -> str:
    """Both limits, or the upper one alone where the lower says nothing."""
    if percent_down(low) == percent_down(0.0):
        return say("at most {most}", most=percent_up(high))
    return say("{low} to {high}", low=percent_down(low), high=percent_up(high))


def ordered(contrast: Contrast) -> list[Condition]:
    """The conditions in the order that votes are counted in: by dose where there is a trend."""
    conditions = list(contrast.conditions)
    if contrast.scale:
        conditions.sort(key=lambda condition: condition.dose or 0.0)
    return conditions


def later(say: Language, contrast: Contrast) -> str:
    """The condition whose votes are counted in a directed question."""
    conditions = ordered(contrast)
    return conditions[-1].label if len(conditions) == 2 else say("the higher one")


def favour(say: Language, contrast: Contrast) -> str:
    """What a counted vote of a question said."""
    side = later(say, contrast)
    return say(contrast.asked_by.counted, side=side, attribute=contrast.attribute)
