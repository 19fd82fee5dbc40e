"""How reliable each listener's votes are, by random code; nobody is excluded by these numbers.

Exclusion is the plan's rule alone (panel.analysis.decision.exclusion). Here: planted checks right,
side bias, agreement with oneself on repeated trials, time and plays, and the sensitivity that the
pooled model gives the listener (shrunk to the panel's mean).
"""

from collections.abc import Mapping, Sequence
from statistics import median

import numpy as np

from panel.analysis.counts import exact
from panel.procedures.base import ANSWERS, EMPTY, POSITIONS, SLOT_OF
from panel.study.plan import Plan
from panel.study.verdict import Known, Proportion, Reliability, Repeats, Sensitivity
from panel.study.votes import RIGHT, UNMARKED, Flags, Floats, Ints, ListenerTable, VoteTable


def _proportion(
    count: int, n: int, confidence: float, chance: float | None = None
) -> Proportion | None:
    if n == 0:
        return None
    low, high = exact.interval(count, n, confidence)
    return Proportion(count, n, count / n, (low, high), chance)


def _again(plan: Plan, votes: VoteTable) -> tuple[Ints, Ints]:
    """(listeners,): how often each met a pair, excerpt and question again, and how often the answer
    was the same. Not asked of planted checks, which are easy.

    Where votes have a direction: the same take was chosen, or neither again; where one take may be
    played twice: the answer was the same to the same. Else: both right or both wrong.
    """
    people, takes = len(votes.listeners), len(votes.takes)
    compared, same = np.zeros(people, np.int64), np.zeros(people, np.int64)
    for contrast in plan.served:
        if contrast.role == "planted_check":
            continue
        rows = np.flatnonzero(votes.on(contrast.id))
        kind, slots, given = contrast.asked_by, votes.slots[rows], votes.given[rows]
        answer = votes.correct[rows]
        differ = kind.differ(slots)
        if contrast.directed:
            answer = kind.chosen(slots, given)
        elif differ is not None:
            answer = given * 2 + differ
        first, second = kind.pair(slots).T
        met = (votes.listener[rows] * takes + first) * takes + second
        met = met * len(votes.excerpts) + votes.excerpt[rows]
        order = np.argsort(met, kind="stable")
        again = met[order][1:] == met[order][:-1]
        who = votes.listener[rows][order][1:][again]
        alike = (answer[order][1:] == answer[order][:-1])[again]
        compared += np.bincount(who, minlength=people)
        same += np.bincount(who[alike], minlength=people)
    return compared, same


def _sides(plan: Plan, votes: VoteTable) -> tuple[Ints, Ints, Floats]:
    """(listeners,): votes for one of two samples, those for the first of them that can be named,
    and the chance of that; for a listener who has none, the same of votes for one of three."""
    people = len(votes.listeners)
    n, first, chance = np.zeros(people, np.int64), np.zeros(people, np.int64), np.zeros(people)
    named = {c.id: [a for a in c.asked_by.answers if a in POSITIONS] for c in plan.served}
    for samples in sorted({len(words) for words in named.values()} - {0}):
        own_n, own_first = np.zeros(people, np.int64), np.zeros(people, np.int64)
        for id_, words in named.items():
            if len(words) == samples:
                on = votes.on(id_) & (SLOT_OF[votes.given] != EMPTY)
                own_n += np.bincount(votes.listener[on], minlength=people)
                on &= votes.answer == ANSWERS.index(words[0])
                own_first += np.bincount(votes.listener[on], minlength=people)
        use = n == 0
        n[use], first[use], chance[use] = own_n[use], own_first[use], 1 / samples
    return n, first, chance


def _medians(values: Ints, listener: Ints, people: int) -> list[int | float | None]:
    """Each listener's median; None without a vote."""
    ordered = values[np.lexsort((values, listener))].tolist()
    ends = np.cumsum(np.bincount(listener, minlength=people)).tolist()
    return [
        median(ordered[start:end]) if end > start else None
        for start, end in zip([0, *ends], ends, strict=False)
    ]


def per_listener(
    plan: Plan,
    votes: VoteTable,
    listeners: ListenerTable,
    excluded: Sequence[str],
    dprimes: Mapping[str, Mapping[str, tuple[float, float, float]]],
) -> tuple[Reliability, ...]:
    """One entry a listener, in order of code. `dprimes`: question id to listener to (d′, lo, hi).

    `side`: share of the first sample that can be named, among votes for one of two samples (chance
    1/2, as keys are drawn freely), or, if the listener has none, among triangles (chance 1/3).
    """
    people = len(votes.listeners)
    place = {code: i for i, code in enumerate(votes.listeners)}
    planted = votes.on(*(check.id for check in plan.planted_checks))
    checks = planted & (votes.correct != UNMARKED)

    def counted(use: Flags) -> list[int]:
        # One place more, which is 0: of whoever is in the table and has no vote.
        found: list[int] = np.bincount(votes.listener[use], minlength=people + 1).tolist()
        return found

    cast = counted(np.ones(len(votes), bool))
    checked, checked_right = counted(checks), counted(checks & (votes.correct == RIGHT))
    sided, firsts, chances = _sides(plan, votes)
    compared, same = _again(plan, votes)
    seconds = _medians(votes.seconds, votes.listener, people)
    plays = _medians(votes.plays, votes.listener, people)
    out = []
    for code, finished, headphone_check in zip(
        listeners.listener, listeners.finished.tolist(), listeners.headphone_check, strict=True
    ):
        i = place.get(code, people)
        voted = i < people
        again = Repeats(int(same[i]), int(compared[i])) if voted else None
        out.append(
            Reliability(
                listener=code,
                votes=cast[i],
                side=_proportion(int(firsts[i]), int(sided[i]), plan.confidence, float(chances[i]))
                if voted
                else None,
                repeats=again if again is not None and again.compared else None,
                seconds_median=seconds[i] if voted else None,
                plays_median=plays[i] if voted else None,
                dprime={
                    q: Sensitivity(d[code][0], d[code][1:]) for q, d in dprimes.items() if code in d
                },
                known=Known(
                    finished=finished,
                    counts=code not in excluded,
                    headphone_check=headphone_check,
                    planted=_proportion(checked_right[i], checked[i], plan.confidence),
                ),
            )
        )
    return tuple(out)
