"""The curve over a dose with its band, beside retakes of one dose and what guessing gives."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from panel.prose import Language, decimal, percent, percent_range
from panel.report.figures.compared import compared
from panel.report.figures.drawing import (
    LETTER,
    MARK,
    PENCIL,
    RULE,
    SMALL,
    Canvas,
    Figure,
    Scale,
    drawn,
    share_scale,
    share_step,
)
from panel.report.figures.outcome import ordered
from panel.study.plan import Contrast, Plan
from panel.study.verdict import ContrastVerdict, Verdict
from panel.study.votes import VoteTable


def against_lowest(contrast: Contrast, verdict: Verdict, votes: VoteTable) -> list[tuple[int, int]]:
    """(right, or for the higher dose; votes that chose) of each dose against the lowest one."""
    found = compared(contrast, votes.select(~votes.by(set(verdict.excluded.listeners))))
    lowest, doses = found.across & (found.low == 0), len(ordered(contrast))
    total = np.bincount(found.high[lowest], minlength=doses).tolist()
    good = np.bincount(found.high[lowest & found.hit], minlength=doses).tolist()
    return list(zip(good[1:], total[1:], strict=True))


def dose_curve(
    say: Language, plan: Plan, verdict: Verdict, votes: VoteTable, contrast_id: str
) -> Figure | None:
    """The picture for one question; None where it asks about no dose, or no curve is warranted."""
    contrast = plan.contrast(contrast_id)
    entry = verdict.contrast(contrast_id)
    told = entry.numbers.question.dose_response if entry.numbers.question else None
    if told is None or not told.points:
        return None
    points = told.points
    kind = contrast.asked_by
    conditions = ordered(contrast)
    labels = [c.label for c in conditions]
    doses = [c.dose or 0.0 for c in conditions]
    by_dose = {dose: (mid, low, high) for dose, mid, low, high in points}
    at_doses = [by_dose[dose] for dose in doses]
    cast = against_lowest(contrast, verdict, votes)
    retakes = None if kind.directed else _retakes(plan, verdict, contrast_id)
    factor = plan.factor_names.get(contrast.factor or "", say("the dose"))
    title = say("Curve over {factor}: {name}", factor=factor, name=contrast.name)
    description = say(
        "{share}, against “{lowest}”, by the curve with its band: {doses}. Chance {chance}.",
        share=say(kind.share_of, attribute=contrast.attribute).capitalize(),
        lowest=labels[0],
        doses="; ".join(
            f"“{label}” {percent(mid, say=say)} ({percent_range((low, high), say=say)})"
            for label, (mid, low, high) in zip(labels[1:], at_doses[1:], strict=True)
        ),
        chance=percent(kind.chance, say=say),
    )
    if retakes:
        description += " " + say(
            "Retakes of the same dose: {share} ({interval}).",
            share=percent(retakes[0], say=say),
            interval=percent_range(retakes[1], say=say),
        )
    name = f"dose-{contrast_id}"
    shown = [good / total for good, total in cast if total]
    reach = [v for _, *three in points for v in three] + shown + [kind.chance]
    reach += list(retakes[1]) if retakes else []

    def place(dose: float) -> float:
        return math.log1p(dose) if told.scale == "log1p" else dose

    def draw(canvas: Canvas) -> float:
        left, right, top, bottom = 44.0, canvas.width - 24, 32.0, 252.0
        up = share_scale(reach, bottom, top)
        along = Scale(place(doses[0]), place(doses[-1]), left, right)
        if retakes:
            low, high = retakes[1]
            canvas.band([(left, up(low)), (right, up(low))], [(left, up(high)), (right, up(high))])
        step = share_step(up, canvas.narrow)
        for index in range(round((up.high - up.low) / step) + 1):
            value = up.low + index * step
            canvas.line(left, up(value), right, up(value), stroke=RULE)
            canvas.text(left - 8, up(value) + 5, f"{100 * value:.0f}", size=SMALL, anchor="end")
        up_words = "% for the higher one" if kind.directed else "% right"
        canvas.text(4, 16, say(up_words), size=SMALL, fill=PENCIL)
        for column, dash, thick in ((2, "6 3", 1.5), (3, "6 3", 1.5), (1, "", 3.0)):
            line = [(along(place(p[0])), up(p[column])) for p in points]
            canvas.path(line, stroke=MARK, dash=dash, width=thick)
        canvas.line(left, up(kind.chance), right, up(kind.chance), dash="4 4", width=1.5)
        for dose, (good, total) in zip(doses[1:], cast, strict=True):
            if total:
                canvas.mark("ring", along(place(dose)), up(good / total), 5.5)
        canvas.text(
            left + 4, up(kind.chance) + 17, say("chance"), size=SMALL, fill=PENCIL, halo=True
        )
        if retakes:
            canvas.text(left + 4, up(retakes[1][1]) - 6, say("retakes"), size=SMALL, fill=PENCIL,
                        halo=True)  # fmt: skip
        canvas.line(left, bottom, right, bottom)
        spots = [along(place(dose)) for dose in doses]
        for x in spots:
            canvas.line(x, bottom, x, bottom + 5)
        for x, anchor, words in _fitting(spots, labels):
            canvas.text(x, bottom + 21, words, size=SMALL, anchor=anchor)
        return bottom + 32

    return drawn(
        name,
        title,
        description,
        draw,
        _note(say, plan, contrast, entry, with_retakes=retakes is not None),
        (say("dose"), say("by the curve"), say("band"), say("votes as cast"), say("votes")),
        tuple(
            (
                label,
                percent(mid, 1, say),
                percent_range((low, high), 1, say),
                *_cast(say, good, total),
            )
            for label, (mid, low, high), (good, total) in zip(
                labels, at_doses, [(0, 0), *cast], strict=True
            )
        ),
    )


def _cast(say: Language, good: int, total: int) -> tuple[str, str]:
    return (percent(good / total, 1, say), f"{total:,}") if total else (say("none"), "0")


def _retakes(plan: Plan, verdict: Verdict, of: str) -> tuple[float, tuple[float, float]] | None:
    """Share right between takes of one dose, with its interval over listeners."""
    for control in plan.contrasts:
        if control.of == of:
            numbers = verdict.contrast(control.id).numbers
            if numbers.interval and numbers.share_right is not None:
                return numbers.share_right, numbers.interval
    return None


LINES = {
    # directed
    True: (
        "Thick line: the change alone, takes of each dose against “{lowest}”; the two broken "
        "lines hold the whole curve at {confidence}. Rings: votes as they fell."
    ),
    False: (
        "Thick line: the change alone, takes of each dose against “{lowest}”; the two broken "
        "lines hold the whole curve at {confidence}. Rings: votes as they fell, in which takes "
        "also differ by themselves."
    ),
}


def _note(
    say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict, *, with_retakes: bool
) -> str:
    lowest = ordered(contrast)[0].label
    confidence = percent(plan.confidence, say=say)
    out = [say(LINES[contrast.asked_by.directed], lowest=lowest, confidence=confidence)]
    if contrast.scale == "log1p":
        out.append(say("Doses are spaced by the logarithm of one plus the dose, as the plan says."))
    if with_retakes:
        out.append(say("Shaded: takes of the same dose against each other, over listeners."))
    out.append(say("Dashed across: what guessing gives."))
    out.append(
        say("The verdict rests on how doses lie over takes, not on this curve.")
        if entry.claimed
        else say(
            "No effect of the dose is claimed: the broken lines show what the votes leave open."
        )
    )
    return " ".join(out)


def _fitting(spots: Sequence[float], labels: Sequence[str]) -> list[tuple[float, str, str]]:
    """(x, anchor, label) of the labels that fit beside each other: both ends, then the rest."""
    last = len(labels) - 1
    taken: list[tuple[float, float]] = []
    out = []
    for index in (0, last, *range(1, last)):
        words, x = labels[index][:20], spots[index]
        long = LETTER * SMALL * len(words)
        anchor = "end" if index == last else "start" if index == 0 and long > 70 else "middle"
        x += 20 if index == last else 0
        start = x - {"start": 0.0, "middle": long / 2, "end": long}[anchor]
        if all(start > b + 6 or start + long < a - 6 for a, b in taken):
            taken.append((start, start + long))
            out.append((x, anchor, words))
    return out


def dose_lines(
    say: Language, contrast: Contrast, entry: ContrastVerdict, no_curve: str | None
) -> list[tuple[str, str]]:
    """Terms and values beside the picture: the size over the whole range, or why none is given."""
    told = entry.numbers.question.dose_response if entry.numbers.question else None
    if told is None:
        return []
    if told.over_range is None:
        return [(say("Curve over the dose"), say("None is given. {why}", why=no_curve))]
    labels = [c.label for c in ordered(contrast)]
    ends = {"highest": labels[-1], "lowest": labels[0]}
    of_d = told.of == "dprime"
    size, low, high = (decimal(v if of_d else math.exp(v), say=say) for v in told.over_range)
    if of_d:
        term = say("Size d′ by the curve, “{highest}” against “{lowest}”", **ends)
        return [(term, say("{size} ({low} to {high})", size=size, low=low, high=high))]
    term = say("Odds by the curve, “{highest}” against “{lowest}”", **ends)
    return [(term, say("{odds} to 1 ({low} to {high})", odds=size, low=low, high=high))]
