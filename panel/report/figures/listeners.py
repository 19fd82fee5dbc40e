"""Each listener by themselves, beside where guessing would put them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import bdtr

from panel.prose import Language, percent, percent_range
from panel.report.figures.compared import compared
from panel.report.figures.drawing import (
    BAND,
    INK,
    MARK,
    PENCIL,
    SMALL,
    Canvas,
    Figure,
    Scale,
    drawn,
    wrapped,
)
from panel.report.figures.outcome import all_of, later
from panel.study.plan import Contrast, Plan
from panel.study.verdict import Verdict
from panel.study.votes import VoteTable


@dataclass(frozen=True)
class Listener:
    """One listener's share in one contrast. `counts`: not excluded by the plan's rule."""

    code: str
    right: int
    votes: int
    counts: bool

    @property
    def share(self) -> float:
        return self.right / self.votes


def listener_shares(
    plan: Plan, verdict: Verdict, votes: VoteTable
) -> list[tuple[Contrast, list[Listener]]]:
    """For each question and planted check: each listener's share over pairs across conditions.

    Right answers; for directed questions votes for the later condition.
    """
    excluded = set(verdict.excluded.listeners)
    out = []
    for contrast, _ in all_of(plan, verdict):
        if contrast.of or contrast.role == "retake_control":
            continue
        found = compared(contrast, votes)
        names = found.votes.listeners
        who = found.votes.listener[found.across]
        total = np.bincount(who, minlength=len(names)).tolist()
        right = np.bincount(who[found.hit[found.across]], minlength=len(names)).tolist()
        listeners = [
            Listener(code, right[i], total[i], code not in excluded)
            for i, code in enumerate(names)
            if total[i]
        ]
        if listeners:
            out.append((contrast, listeners))
    return out


def guessing_range(votes: int, chance: float, within: float = 0.9) -> tuple[float, float]:
    """Shares between which at least `within` of guessing listeners lie: central binomial range."""
    tail = (1 - within) / 2
    low = next(k for k in range(votes + 1) if bdtr(k, votes, chance) > tail)
    high = next(k for k in range(votes + 1) if bdtr(k, votes, chance) >= 1 - tail)
    return low / votes, high / votes


def spread(say: Language, plan: Plan, verdict: Verdict, votes: VoteTable) -> Figure | None:
    """Each listener's share in each question, and in the planted checks."""
    found = listener_shares(plan, verdict, votes)
    if not found:
        return None
    title = say("Each listener by themselves")
    parts, rows = [], []
    for contrast, listeners in found:
        chance = contrast.asked_by.chance
        shares = sorted(listener.share for listener in listeners)
        median = sorted(listener.votes for listener in listeners)[len(listeners) // 2]
        low, high = guessing_range(median, chance)
        above = sum(share > high for share in shares)
        below = sum(share < low for share in shares)
        parts.append(
            say.count(
                len(shares),
                "{name}: {n} listener, shares from {least} to {most}, {above} above and {below} "
                "below where nine in ten guessers would lie ({guessers}).",
                "{name}: {n} listeners, shares from {least} to {most}, {above} above and {below} "
                "below where nine in ten guessers would lie ({guessers}).",
                name=contrast.name,
                least=percent(shares[0], say=say),
                most=percent(shares[-1], say=say),
                above=above,
                below=below,
                guessers=percent_range((low, high), say=say),
            )
        )
        rows.append(
            (
                contrast.name,
                f"{len(shares)}",
                percent(shares[0], say=say),
                percent(shares[len(shares) // 2], say=say),
                percent(shares[-1], say=say),
                percent_range((low, high), say=say),
                f"{above}",
                f"{below}",
            )
        )
    description = " ".join(parts)
    return drawn(
        "spread",
        title,
        description,
        lambda canvas: _spread(say, canvas, found),
        say(
            "One disc a listener: share right, or for the later condition where the question has a "
            "direction. A cross is a listener whom the plan's rule leaves out. In the band nine in "
            "ten listeners would lie who only guess."
        ),
        (say("comparison"), say("listeners"), say("lowest"), say("middle"), say("highest"),
         say("guessers lie in"), say("above it"), say("below it")),
        tuple(rows),
    )  # fmt: skip


def _spread(
    say: Language, canvas: Canvas, found: Sequence[tuple[Contrast, list[Listener]]]
) -> float:
    scale = Scale(
        0.0, 1.0, *((16.0, canvas.width - 34) if canvas.narrow else (212.0, canvas.width - 34))
    )
    step = 9.5 if canvas.narrow else 11.0
    bins = 20 if canvas.narrow else 32
    y, top = 8.0, 8.0
    frames = []
    for contrast, listeners in found:
        stacks: dict[int, list[Listener]] = defaultdict(list)
        for listener in sorted(listeners, key=lambda person: not person.counts):
            stacks[round(listener.share * bins)].append(listener)
        abreast = _abreast(stacks, (scale.end - scale.start) / bins / step)
        tallest = max(-(-len(people) // abreast[place]) for place, people in stacks.items())
        tight = min(step, 110 / tallest)
        label = wrapped(contrast.name, 296 if canvas.narrow else 196)
        head = 24.0 + 17 * len(label) if canvas.narrow else 4.0
        room = max(24.0 if canvas.narrow else 36.0 + 17 * (len(label) - 1), tight * tallest + 10)
        frames.append(
            (contrast, listeners, stacks, y, head, y + head + room, label, abreast, tight)
        )
        y += head + room + 12
    bottom = y
    canvas.share_axis(scale, top, bottom, step=0.2 if canvas.narrow else 0.1)
    for contrast, listeners, stacks, start, head, ground, label, abreast, tight in frames:
        kind = contrast.asked_by
        middle = sorted(person.votes for person in listeners)[len(listeners) // 2]
        low, high = guessing_range(middle, kind.chance)
        if canvas.narrow:
            canvas.blank(start - 4, head)
        upper = start + head
        canvas.rect(scale(low), upper, scale(high) - scale(low), ground - upper, fill=BAND,
                    opacity=0.6)  # fmt: skip
        canvas.line(scale(kind.chance), upper, scale(kind.chance), ground, dash="4 4")
        canvas.line(scale.start, ground, scale.end, ground, stroke=PENCIL)
        what = say.count(middle, "about {n} vote each", "about {n} votes each")
        if kind.directed and contrast.role == "question":
            what = say("for “{side}”, {votes} each", side=later(say, contrast), votes=middle)
        place, anchor = (scale.start, "start") if canvas.narrow else (196.0, "end")
        first = start + 17 if canvas.narrow else ground - 5 - 17 * len(label)
        for index, words in enumerate(label):
            canvas.text(place, first + 17 * index, words, anchor=anchor)
        words = wrapped(what, 300 if canvas.narrow else 196, SMALL, most=1)[0]
        canvas.text(place, first + 17 * len(label), words, size=SMALL, anchor=anchor, fill=PENCIL)
        colour = INK if contrast.role == "planted_check" else MARK
        for bin_, people in stacks.items():
            side = abreast[bin_]
            across = min(side, len(people))
            for index, person in enumerate(people):
                shift = (index % side - (across - 1) / 2) * step  # columns about the place
                canvas.mark(
                    "disc" if person.counts else "cross",
                    scale(bin_ / bins) + shift,
                    ground - 7 - tight * (index // side),
                    min(4.5, tight / 2.2),
                    colour=colour,
                )
    return bottom + 28


def _abreast(stacks: Mapping[int, Sequence[Listener]], dots: float) -> dict[int, int]:
    """How many discs may stand side by side at each place without meeting a neighbour's; at most
    three. `dots`: discs to a place's width."""
    places = sorted(stacks)
    out = {}
    for place in places:
        gap = min((abs(place - other) for other in places if other != place), default=8)
        out[place] = max(1, min(3, int(gap * dots) - 1))
    return out
