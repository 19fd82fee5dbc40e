"""Takes, the unit of every claim about a change: their scores, and pairs of them, one by one."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from panel.marked import T_
from panel.prose import Language, listed, percent
from panel.report.figures.compared import compared
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
    wrapped,
)
from panel.report.figures.outcome import ordered
from panel.study.plan import Contrast, Plan
from panel.study.verdict import Verdict
from panel.study.votes import UNMARKED, VoteTable

SHAPES: tuple[Shape, ...] = ("square", "disc", "triangle", "diamond", "ring", "cross")


@dataclass(frozen=True)
class Group:
    """A row of the picture: shares of single takes or pairs, with the votes behind each."""

    label: str
    what: str
    shape: Shape
    shares: tuple[tuple[str, float, int], ...]

    @property
    def mean(self) -> float:
        """Over all votes of the group."""
        total = sum(votes for _, _, votes in self.shares)
        return sum(share * votes for _, share, votes in self.shares) / total


def take_groups(say: Language, contrast: Contrast, votes: VoteTable) -> list[Group]:
    """Directed: for each condition the share of its votes that each take won."""
    found, names = compared(contrast, votes), votes.takes
    met, won = (
        dict(zip(names, np.bincount(takes.ravel(), minlength=len(names)).tolist(), strict=True))
        for takes in (found.pair, found.chosen)
    )
    groups = []
    for index, condition in enumerate(ordered(contrast)):
        shares = tuple((t, won[t] / met[t], met[t]) for t in condition.takes if met.get(t))
        if shares:
            groups.append(
                Group(
                    condition.label,
                    say.count(len(shares), "{n} take", "{n} takes"),
                    SHAPES[index % len(SHAPES)],
                    shares,
                )
            )
    return groups


def pair_groups(say: Language, contrast: Contrast, votes: VoteTable) -> list[Group]:
    """With a right answer: share right of each pair of takes, within and across conditions.

    Where there is a trend, pairs across are grouped by which two doses they compare.
    """
    conditions = ordered(contrast)
    found, names = compared(contrast, votes), votes.takes
    differ = contrast.asked_by.differ(found.votes.slots)
    use = found.votes.correct != UNMARKED
    use = use if differ is None else use & differ
    met = found.pair[use, 0] * len(names) + found.pair[use, 1]
    _, first, kind = np.unique(met, return_index=True, return_inverse=True)
    total = np.bincount(kind).tolist()
    right = np.bincount(kind[found.hit[use]], minlength=first.size).tolist()
    by_sides: dict[tuple[int, int], list[tuple[str, float, int]]] = defaultdict(list)
    for i, place in enumerate(first.tolist()):
        a, b = int(found.low[use][place]), int(found.high[use][place])
        pair = " ".join(names[take] for take in found.pair[use][place].tolist())
        by_sides[(-1, -1) if a == b else (a, b)].append((pair, right[i] / total[i], total[i]))
    groups = []
    for a, b in sorted(by_sides):
        label = (
            say("the same condition")
            if a == -1
            else listed((conditions[a].label, conditions[b].label), say)
        )
        pairs = by_sides[a, b]
        what = say.count(len(pairs), "{n} pair", "{n} pairs")
        groups.append(Group(label, what, "square" if a == -1 else "disc", tuple(pairs)))
    return groups


@dataclass(frozen=True)
class Words:
    """What is said of single takes, or of pairs of them; `own`: what else counts, or ""."""

    unit: str
    title: str
    each: str
    mark: str
    own: str


OF_TAKES = T_(
    Words(
        unit="take",
        title="Takes one by one: {name}",
        each="{share} for each take.",
        mark="One mark a take: {share}.",
        own=(
            "Comparisons with takes of its own condition count too, so rows lie nearer to one half "
            "than the answer above."
        ),
    )
)
OF_PAIRS = T_(
    Words(
        unit="pair of takes",
        title="Pairs of takes one by one: {name}",
        each="{share} for each pair of takes.",
        mark="One mark a pair of takes: {share}.",
        own="",
    )
)


def takes_one_by_one(
    say: Language, plan: Plan, verdict: Verdict, votes: VoteTable, contrast_id: str
) -> Figure | None:
    """The picture for one question; None where there is one take a side, or no vote."""
    contrast = plan.contrast(contrast_id)
    if max(len(condition.takes) for condition in contrast.conditions) < 2:
        return None
    out = set(verdict.excluded.listeners)
    counted = votes.select(~votes.by(out))
    kind = contrast.asked_by
    names = {take.id: take.label or take.id for take in plan.takes}
    groups = (take_groups if kind.directed else pair_groups)(say, contrast, counted)
    if len(groups) < 2:
        return None
    words = OF_TAKES if kind.directed else OF_PAIRS
    share = say(kind.share_of_take, attribute=contrast.attribute)
    title = say(words.title, name=contrast.name)
    each = say(words.each, share=share.capitalize())
    description = " ".join((each, *(_course(say, group) for group in groups)))
    name = f"takes-{contrast.id}"

    def draw(canvas: Canvas) -> float:
        scale = Scale(
            0.0, 1.0, *((10.0, canvas.width - 34) if canvas.narrow else (212.0, canvas.width - 34))
        )
        bins = 40 if canvas.narrow else 64
        step = 7.0 if canvas.narrow else 7.5
        y, top, frames = 26.0, 26.0, []
        for group in groups:
            stacks = Counter(round(s * bins) for _, s, _ in group.shares)
            height = (22.0 if canvas.narrow else 0.0) + max(44.0, 20 + step * max(stacks.values()))
            frames.append((group, y, height))
            y += height
        bottom = y
        canvas.share_axis(scale, top, bottom, step=0.2 if canvas.narrow else 0.1)
        canvas.text(scale(kind.chance), 16, say("chance"), size=SMALL, anchor="middle", fill=PENCIL)
        canvas.line(scale(kind.chance), top, scale(kind.chance), bottom, dash="4 4")
        for group, start, height in frames:
            ground = start + height - 12
            if canvas.narrow:
                canvas.blank(start + 1, 22)
                words = wrapped(f"{group.label}, {group.what}", 296, most=1)[0]
                canvas.text(scale.start, start + 17, words)
            else:
                canvas.text(196, ground - 12, wrapped(group.label, 196, most=1)[0], anchor="end")
                canvas.text(196, ground + 5, group.what, size=SMALL, anchor="end", fill=PENCIL)
            colour = INK if group.shape == "square" else MARK
            x = scale(group.mean)
            canvas.line(x, start + (22 if canvas.narrow else 4), x, ground + 6, stroke=colour,
                        width=3)  # fmt: skip
            placed: Counter[int] = Counter()
            for _, value, _ in group.shares:
                place = round(value * bins)
                height_of = ground - step * placed[place]
                canvas.mark(group.shape, scale(place / bins), height_of, 3.4, colour=colour)
                placed[place] += 1
        return bottom + 28

    return drawn(
        name,
        title,
        description,
        draw,
        _note(say, words, share, groups),
        (say(words.unit), say("row"), say("share"), say("votes")),
        tuple(
            (
                listed((names.get(take, take) for take in which.split()), say),
                group.label,
                percent(value, say=say),
                f"{number}",
            )
            for group in groups
            for which, value, number in group.shares
        ),
    )


def _course(say: Language, group: Group) -> str:
    shares = [share for _, share, _ in group.shares]
    return say(
        "{label}: {what}, from {least} to {most}, together {mean}.",
        label=group.label,
        what=group.what,
        least=percent(min(shares), say=say),
        most=percent(max(shares), say=say),
        mean=percent(group.mean, say=say),
    )


def _note(say: Language, words: Words, share: str, groups: Sequence[Group]) -> str:
    fewest = min(n for group in groups for *_, n in group.shares)
    rest = say.count(
        fewest,
        "A mark rests on as few as {n} vote, and scatters by chance. The upright bar is the whole "
        "row together. A claim about the change rests on how the rows differ beyond what single "
        "takes do among themselves.",
        "A mark rests on as few as {n} votes, and scatters by chance. The upright bar is the whole "
        "row together. A claim about the change rests on how the rows differ beyond what single "
        "takes do among themselves.",
    )
    parts = (say(words.mark, share=share), say(words.own) if words.own else "", rest)
    return " ".join(part for part in parts if part)
