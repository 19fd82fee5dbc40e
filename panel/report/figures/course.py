"""Pictures of the course of a study: votes by day, and the evidence of an anytime plan by vote."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np

from panel.analysis.counts import anytime
from panel.prose import Language, decimal, evidence
from panel.report.figures.compared import compared
from panel.report.figures.drawing import (
    INK,
    MARK,
    PENCIL,
    RULE,
    SMALL,
    Canvas,
    Figure,
    Scale,
    Shape,
    drawn,
    wrapped,
)
from panel.study.plan import Contrast, Plan
from panel.study.verdict import Verdict
from panel.study.votes import VoteTable

MOST_POINTS = 240
SHAPES: tuple[Shape, ...] = ("disc", "square", "triangle", "diamond", "ring", "cross")


def votes_over_time(say: Language, votes: VoteTable) -> Figure | None:
    """Votes of each day and in all, days counted from the first vote."""
    if not len(votes):
        return None
    by_day = Counter(votes.day.tolist())
    last = max(by_day)
    days = list(range(last + 1))
    sums = np.cumsum([by_day[day] for day in days]).tolist()
    busiest = max(by_day.values())
    title = say("Votes over time")
    description = say(
        "{votes} on {days}; most on day {day}, {most}.",
        votes=say.count(len(votes), "{n} vote", "{n} votes"),
        days=say.count(last + 1, "{n} day", "{n} days"),
        day=max(by_day, key=lambda day: by_day[day]) + 1,
        most=f"{busiest:,}",
    )

    def draw(canvas: Canvas) -> float:
        left, top, base = 52.0, 26.0, 196.0
        ceiling = _round_up(busiest)
        up = Scale(0, ceiling, base, top)
        along = Scale(0, last + 1, left, canvas.width - 12)
        for value in (0, ceiling // 2, ceiling) if ceiling > 1 else (0, 1):
            canvas.line(left, up(value), canvas.width - 12, up(value), stroke=RULE)
            canvas.text(left - 8, up(value) + 5, f"{value:,}", size=SMALL, anchor="end")
        canvas.text(4, 13, say("votes a day"), size=SMALL, fill=PENCIL)
        bar = min(40.0, 0.72 * (along(1) - along(0)))
        for day in days:
            if by_day[day]:
                middle = along(day + 0.5)
                canvas.rect(middle - bar / 2, up(by_day[day]), bar, base - up(by_day[day]),
                            fill=MARK)  # fmt: skip
        canvas.line(left, base, canvas.width - 12, base)
        labels = max(1, math.ceil((last + 1) / (6 if canvas.narrow else 12)))
        for day in days[::labels]:
            canvas.text(along(day + 0.5), base + 19, f"{day + 1}", size=SMALL, anchor="middle")
        canvas.text(canvas.width - 12, base + 38, say("day"), size=SMALL, anchor="end", fill=PENCIL)
        return base + 46

    return drawn(
        "votes-by-day",
        title,
        description,
        draw,
        say("Day 1 is the day of the first vote; exact times are not kept in the table."),
        (say("day"), say("votes"), say("in all")),
        tuple((f"{day + 1}", f"{by_day[day]:,}", f"{sums[day]:,}") for day in days),
    )


def evidence_path(plan: Plan, contrast: Contrast, votes: VoteTable) -> list[float]:
    """log10 of the anytime-valid value after each vote across conditions, in order of arrival.

    One-sided against chance for procedures with a right answer, two-sided for directed ones
    (Robbins 1970). Votes of excluded listeners must be left out by the caller.
    """
    found = compared(contrast, votes.select(np.argsort(votes.sequence, kind="stable")))
    outcomes = found.hit[found.across]
    x, n = np.cumsum(outcomes), np.arange(1, outcomes.size + 1)
    kind = contrast.asked_by
    logs = (
        anytime.log_e_values_two_sided(x, n)
        if kind.directed
        else anytime.log_e_values(x, n, kind.chance)
    )
    return [float(value) / math.log(10) for value in logs]


def evidence_by_vote(
    say: Language, plan: Plan, verdict: Verdict, votes: VoteTable
) -> Figure | None:
    """The course of the anytime-valid evidence for each question; None for a fixed plan."""
    if not plan.anytime:
        return None
    out = set(verdict.excluded.listeners)
    counted = votes.select(~votes.by(out))
    questions = plan.questions
    paths = [(c, evidence_path(plan, c, counted)) for c in questions]
    paths = [(contrast, path) for contrast, path in paths if path]
    if not paths:
        return None
    alpha = plan.alpha
    bars = [(say("one question"), 1 / alpha)]
    if len(questions) > 1:
        first = say("first of {questions}", questions=len(questions))
        bars.append((first, len(questions) / alpha))
    title = say("Evidence as votes came in")
    needed = say("Needed: {times} times.", times=_plain(bars[0][1]))
    courses = (
        say(
            "{name}: {now} times after {votes}, highest {highest}.",
            name=contrast.name,
            now=_times(say, path[-1]),
            votes=say.count(len(path), "{n} vote", "{n} votes"),
            highest=_times(say, max(path)),
        )
        for contrast, path in paths
    )
    description = " ".join((needed, *courses))

    return drawn(
        "evidence",
        title,
        description,
        lambda canvas: _evidence(say, canvas, paths, bars),
        say(
            "How many times better the votes fit a panel that hears something than one that "
            "guesses, averaged over how well it may hear. Under guessing the line ever reaches "
            "{times} with probability {alpha} at most, however often one looks.",
            times=_plain(1 / alpha),
            alpha=decimal(alpha, 2, say=say),
        ),
        (
            say("question"),
            say("votes"),
            say("now"),
            say("highest"),
            say("needed for one question"),
        ),
        tuple(
            (
                contrast.name,
                f"{len(path):,}",
                _times(say, path[-1]),
                _times(say, max(path)),
                _plain(bars[0][1]),
            )
            for contrast, path in paths
        ),
    )


def _evidence(
    say: Language,
    canvas: Canvas,
    paths: Sequence[tuple[Contrast, Sequence[float]]],
    bars: Sequence[tuple[str, float]],
) -> float:
    """The courses with the bars that they have to pass; returns the height."""
    left, top = 58.0, 30.0
    base = top + (220 if canvas.narrow else 240)
    high = max(math.log10(bars[-1][1]) + 0.3, *(min(max(path), 12.0) for _, path in paths))
    low = min(-1.0, *(max(min(path), -4.0) for _, path in paths))
    low, high = math.floor(low), math.ceil(high)
    up = Scale(low, high, base, top)
    longest = max(len(path) for _, path in paths)
    along = Scale(0, longest, left, canvas.width - 14)
    canvas.text(4, 14, say("times likelier than guessing"), size=SMALL, fill=PENCIL)
    every = max(1, math.ceil((high - low) / 6))
    for power in range(math.ceil(low / every) * every, high + 1, every):
        canvas.line(left, up(power), canvas.width - 14, up(power), stroke=RULE)
        canvas.text(left - 8, up(power) + 5, _power(power), size=SMALL, anchor="end")
    for index, (_, path) in enumerate(paths):
        stride = max(1, len(path) // MOST_POINTS)
        at = sorted({*range(0, len(path), stride), len(path) - 1})
        canvas.path([(along(i + 1), up(path[i])) for i in at], stroke=MARK)
        shape = SHAPES[index % len(SHAPES)]
        for k in range(1, 5):
            i = min(len(path) - 1, len(path) * k // 4)
            canvas.mark(shape, along(i + 1), up(path[i]), 4.5)
    for number, (words, value) in enumerate(bars):
        y = up(math.log10(value))
        under = number == 0 and len(bars) > 1
        canvas.line(left, y, canvas.width - 14, y, dash="6 3", width=1.5)
        canvas.text(canvas.width - 18, y + (16 if under else -6), f"{_plain(value)}: {words}",
                    size=SMALL, anchor="end", halo=True)  # fmt: skip
    canvas.line(left, base, canvas.width - 14, base)
    for value in (0, longest // 2, longest):
        canvas.text(along(value), base + 19, f"{value:,}", size=SMALL, anchor="middle")
    canvas.text(
        canvas.width - 14,
        base + 38,
        say("votes across conditions"),
        size=SMALL,
        anchor="end",
        fill=PENCIL,
    )
    y = base + 62
    for index, (contrast, _) in enumerate(paths):
        canvas.mark(SHAPES[index % len(SHAPES)], left + 4, y - 5, 5)
        canvas.text(
            left + 18,
            y,
            wrapped(contrast.name, canvas.width - left - 30, most=1)[0],
            fill=INK,
        )
        y += 22
    return y - 8


def _times(say: Language, log10: float) -> str:
    return evidence(10 ** min(log10, 300), say)


def _round_up(value: int) -> int:
    step = int(10 ** max(0, math.floor(math.log10(max(1, value)))))
    for factor in (1, 2, 4, 6, 8, 10):
        if factor * step >= value:
            return factor * step
    return value


def _power(power: int) -> str:
    return {0: "1", 1: "10", 2: "100", 3: "1,000"}.get(power) or (
        f"1/{10**-power:,}" if -4 < power < 0 else f"10{_superscript(power)}"
    )


def _superscript(power: int) -> str:
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def _plain(value: float) -> str:
    return f"{value:,.0f}"
