"""What becomes of the verdict when one listener, one excerpt or one take is left out.

A verdict that hangs on one of them is told as such. Each time the whole decision is made again,
Holm and all; who counts, and whether the panel was able, stay as in the full study, except that a
listener is left out with the planted checks too. Descriptive: no error rate is claimed for it.

A listener moves the outcome by the votes right beyond the panel's mean; in a panel of more than
`MOST_LISTENERS` only those who move it most are tried, and the words say so.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from panel.analysis.decision.coded import CodedVotes
from panel.analysis.decision.judgement import Judgement, Part, judge
from panel.study.plan import Contrast, Plan
from panel.study.verdict import Change, ContrastLeftOut, LeftOut
from panel.study.votes import Flags, ListenerTable, place_of

MOST_LISTENERS = 60
KINDS = ("listener", "excerpt", "take")


@dataclass(frozen=True)
class Found:
    """`codes`: kind to what is left out to contrast id to the code then, for what was tried.

    `present`: how many of each kind there are.
    """

    codes: Mapping[str, Mapping[str, Mapping[str, str]]]
    present: Mapping[str, int]


def leave_out(
    plan: Plan,
    cast: CodedVotes,
    listeners: ListenerTable,
    full: Mapping[str, Judgement],
) -> Found:
    """Judge again without each listener, excerpt and take. `cast` checked, `full` their verdict.

    What is alone of its kind (the only excerpt, the only take of its condition) cannot be left
    out, and is not tried.
    """
    votes = cast.votes
    finished = _finished(plan, cast)
    asked = {c.id for c in plan.served if c.role != "planted_check"}
    counted = _counted_people(full)

    def codes_of(
        plan: Plan, there: Flags, listeners: ListenerTable, told: Sequence[str]
    ) -> dict[str, str]:
        part = Part(there, _planned(plan, cast, there), finished)
        found = judge(plan, cast, listeners, part=part)
        return {id_: found[id_].code for id_ in told}

    codes: dict[str, dict[str, dict[str, str]]] = {kind: {} for kind in KINDS}
    if len(counted) > 1:
        for code in _most_moving(counted):
            others = listeners.select(np.array([c != code for c in listeners.listener], bool))
            codes["listener"][code] = codes_of(plan, ~votes.by({code}), others, _told(plan))
    excerpts = votes.select(votes.on(*asked)).heard
    if len(excerpts) > 1:
        for excerpt in excerpts:
            there = ~votes.on(*asked) | (votes.excerpt != votes.excerpts.index(excerpt))
            codes["excerpt"][excerpt] = codes_of(plan, there, listeners, _told(plan))
    takes = [t for c in plan.contrasts if c.id in asked for t in c.side_of]
    for take in dict.fromkeys(takes):
        smaller, changed = _without_take(plan, take, asked)
        if not changed:
            continue
        there = ~(votes.on(*changed) & (votes.slots == place_of(take, votes.takes)).any(axis=1))
        touched = [id_ for id_ in _told(plan) if id_ in changed or plan.contrast(id_).of in changed]
        codes["take"][take] = codes_of(smaller, there, listeners, touched)
    return Found(codes, {
        "listener": len(counted), "excerpt": len(excerpts), "take": len(set(takes)),
    })  # fmt: skip


def _told(plan: Plan) -> list[str]:
    return [c.id for c in plan.contrasts if c.role != "planted_check"]


def _finished(plan: Plan, cast: CodedVotes) -> dict[str, frozenset[str]]:
    """Who had cast all of their votes on a contrast, before anything is left out."""
    out = {}
    for c in plan.served:
        coded = cast.coded[c.id]
        votes = np.bincount(coded.listener, minlength=len(coded.listeners)).tolist()
        out[c.id] = frozenset(
            code
            for code, n in zip(coded.listeners, votes, strict=True)
            if n >= c.votes_per_listener
        )
    return out


def _planned(plan: Plan, cast: CodedVotes, there: Flags) -> dict[str, int]:
    """The planned votes without those of them that are left out: the end stays the same vote."""
    out = {}
    for c in plan.served:
        planned = plan.listeners * c.votes_per_listener
        own = cast.rows[c.id][:planned]
        out[c.id] = planned - int(np.count_nonzero(~there[own]))
    return out


def _counted_people(full: Mapping[str, Judgement]) -> dict[str, float]:
    """Listeners whose votes count, with how far their votes lie from the panel's mean."""
    out: dict[str, float] = defaultdict(float)
    for judged in full.values():
        coded = judged.evidence.coded
        if coded is None or judged.contrast.role == "planted_check" or not coded.y.size:
            continue
        order = np.argsort(coded.listener, kind="stable")
        excess = (coded.y - coded.y.mean())[order]
        ends = np.cumsum(np.bincount(coded.listener))
        for code, own in zip(coded.listeners, np.split(excess, ends[:-1]), strict=True):
            out[code] += abs(float(own.sum()))
    return out


def _most_moving(people: Mapping[str, float]) -> list[str]:
    ordered = sorted(people, key=lambda code: (-round(people[code], 9), code))
    return sorted(ordered[:MOST_LISTENERS])


def _without_take(plan: Plan, take: str, asked: set[str]) -> tuple[Plan, set[str]]:
    """The plan without a take where its condition has others, and the contrasts this changes."""
    changed: set[str] = set()
    contrasts: list[Contrast] = []
    for c in plan.contrasts:
        side = c.side_of.get(take) if c.id in asked else None
        if side is None or len(c.conditions[side].takes) < 2:
            contrasts.append(c)
            continue
        changed.add(c.id)
        smaller = replace(
            c.conditions[side], takes=tuple(t for t in c.conditions[side].takes if t != take)
        )
        sides = (*c.conditions[:side], smaller, *c.conditions[side + 1 :])
        contrasts.append(replace(c, conditions=sides))
    return replace(plan, contrasts=tuple(contrasts)), changed


def told(left: Found, full: Mapping[str, Judgement]) -> LeftOut:
    """What was tried, and each contrast's changes."""
    return LeftOut(
        dict(left.present),
        {kind: len(left.codes[kind]) for kind in KINDS},
        tuple(
            _contrast(left, judged)
            for judged in full.values()
            if judged.contrast.role != "planted_check"
        ),
    )


def _contrast(left: Found, judged: Judgement) -> ContrastLeftOut:
    id_ = judged.contrast.id
    tried = {
        kind: {what: codes[id_] for what, codes in left.codes[kind].items() if id_ in codes}
        for kind in KINDS
    }
    return ContrastLeftOut(
        id_,
        {kind: len(tried[kind]) for kind in KINDS},
        tuple(
            Change(kind, what, code)
            for kind in KINDS
            for what, code in tried[kind].items()
            if code != judged.code
        ),
    )
