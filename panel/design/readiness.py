"""Can these takes answer the question? A short list of checks, each ready, look at this or cannot.

"look at this" leaves the decision to the maker; "cannot" means that, as things stand, the question
will not be answered, whoever listens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from panel.design.floor import (
    floor_sentence,
    given_labelings,
    given_sentence,
    least_p,
    takes_needed,
)
from panel.design.readiness_facts import Facts, QuestionFacts, TakeFacts
from panel.prose import listed, spelled

State = Literal["ready", "look at this", "cannot"]
STATES: tuple[State, ...] = ("ready", "look at this", "cannot")

LEVEL_GAP_DB = 6.0
SHORT_S, LONG_S = 2.0, 20.0

_ROOM = ("room", "place", "hall", "studio", "position", "stand")
_PERFORMER = ("perform", "play", "musician", "hands", "source")


@dataclass(frozen=True)
class Check:
    """One line: a code for programs, its heading, the state in words, what was found, and what to
    do about it ("" where nothing is to be done)."""

    code: str
    heading: str
    state: State
    finding: str
    advice: str = ""


def check_list(facts: Facts) -> tuple[Check, ...]:
    """The eight checks, always all of them, in the order in which they are best put right."""
    return (
        _takes(facts),
        _scope(facts),
        _logged(facts),
        _excerpts(facts),
        _lossy(facts),
        _clipped(facts),
        _level(facts),
        _noise(facts),
    )


def in_all(checks: Sequence[Check]) -> State:
    """The state of the whole: its worst line's."""
    return max((check.state for check in checks), key=STATES.index, default="ready")


def _takes(facts: Facts) -> Check:
    code, heading = "takes", "Several takes of each condition"
    if not facts.questions:
        return Check(
            code,
            heading,
            "cannot",
            "There are no two conditions to be told apart yet.",
            "Log what you changed, for takes of both kinds.",
        )
    single = [
        f"“{side.label}” (in “{question.name}”)"
        for question in facts.questions
        for side in question.sides
        if len(side.takes) < 2
    ]
    if single:
        return Check(
            code,
            heading,
            "cannot",
            f"There is only one take of {listed(single)}: a result would hold for these "
            "recordings, not for what was changed.",
            f"Record {spelled(takes_needed(facts.alpha))} takes of each condition, in mixed order.",
        )
    shared = len(facts.questions) if facts.asked else 1
    for question in facts.questions:
        short = _short(question, facts.alpha, shared)
        if short:
            return Check(
                code,
                heading,
                "look at this",
                f"“{question.name}”: {short}",
                "More takes; or be content with what holds for these recordings.",
            )
    least = max(_least(question) for question in facts.questions)
    return Check(
        code,
        heading,
        "ready",
        f"Enough for a difference to be put down to the change: p can come down to {least:.2g}.",
    )


def _short(question: QuestionFacts, alpha: float, shared: int) -> str:
    if question.cells:
        return given_sentence(question.cells, alpha, shared, directed=question.directed)
    sizes = [len(side.takes) for side in question.sides]
    return floor_sentence(sizes, alpha, shared, dose=question.dose)


def _least(question: QuestionFacts) -> float:
    if question.cells:
        return 1 / given_labelings(question.cells, directed=question.directed)
    return least_p([len(side.takes) for side in question.sides], dose=question.dose)


def _scope(facts: Facts) -> Check:
    code, heading = "scope", "What a claim can speak of"
    if not facts.questions:
        return Check(
            code,
            heading,
            "look at this",
            "There are no conditions yet.",
            "Log what was changed; specimen and session of each take then say how far a claim can "
            "reach.",
        )
    finding = " ".join(f"“{q.name}”: {q.reach.sentence}" for q in facts.questions)
    told = dict.fromkeys(sentence for q in facts.questions for sentence in _shortcomings(q))
    if not told:
        return Check(code, heading, "ready", finding)
    barred = any(q.reach.barred for q in facts.questions)
    return Check(code, heading, "cannot" if barred else "look at this", finding, " ".join(told))


def _shortcomings(question: QuestionFacts) -> list[str]:
    """What keeps a claim from reaching further, each with what to do about it; the guard's warning
    on the order in strata only where something can be claimed at all."""
    found = [remark.sentence for remark in question.reach.remarks]
    warned = question.order_warning and not question.reach.barred
    return [*found, question.order_warning] if warned else found


def _logged(facts: Facts) -> Check:
    code, heading = "log", "Room and performer logged"
    missing, gaps = [], []
    for what, words in (("room", _ROOM), ("performer", _PERFORMER)):
        there = [factor for factor in facts.factors if _named(factor.name, words)]
        if not there:
            missing.append(what)
        elif all(factor.unlogged for factor in there):
            factor = min(there, key=lambda f: len(f.unlogged))
            gaps.append(f"“{factor.name}” of {_counted(factor.unlogged)}")
    if missing or gaps:
        found = []
        if missing:
            found.append(f"No factor names the {' or the '.join(missing)}.")
        if gaps:
            found.append(f"Not logged: {listed(gaps)}.")
        return Check(
            code,
            heading,
            "look at this",
            " ".join(found),
            "Log it, also where it is the same for all takes; what is not logged counts as "
            "unknown. If a recording is played into the equipment, that is the performer.",
        )
    return Check(code, heading, "ready", "Both are logged for every take.")


def _named(name: str, words: Sequence[str]) -> bool:
    parts = "".join(c if c.isalnum() else " " for c in name.casefold()).split()
    return any(part.startswith(word) for part in parts for word in words)


def _excerpts(facts: Facts) -> Check:
    code, heading = "excerpts", f"Excerpts of {SHORT_S:g} to {LONG_S:g} s"
    if not facts.excerpts:
        return Check(
            code, heading, "cannot", "No excerpt is marked: there is nothing to listen to.",
            "Mark one, four to eight seconds long.",
        )  # fmt: skip
    odd = [
        f"{excerpt.name} lasts {excerpt.seconds:.1f} s"
        for excerpt in facts.excerpts
        if not SHORT_S <= excerpt.seconds <= LONG_S
    ]
    if odd:
        return Check(
            code,
            heading,
            "look at this",
            f"{listed(odd)}: under {SHORT_S:g} s there is little to hear, and over {LONG_S:g} s "
            "its beginning is forgotten.",
            "Mark it anew; four to eight seconds are easy to keep in the ear.",
        )
    return Check(code, heading, "ready", "All of them.")


def _lossy(facts: Facts) -> Check:
    code, heading = "lossy", "Lossless originals"
    takes = _all_takes(facts)
    lossy = [take.name for take in takes if take.lossy]
    if not lossy:
        return Check(code, heading, "ready", "None comes from a lossy format.")
    if len(lossy) < len(takes):
        return Check(
            code,
            heading,
            "cannot",
            f"{_counted(lossy)} from a lossy format, the others not: the coding differs too, and "
            "may be what is heard.",
            "Use the lossless originals, or record again.",
        )
    return Check(
        code,
        heading,
        "look at this",
        "All takes come from a lossy format: what it took away cannot be heard any more.",
        "Use the lossless originals if you have them.",
    )


def _clipped(facts: Facts) -> Check:
    code, heading = "clipped", "Originals not clipped"
    takes = _all_takes(facts)
    clipped = [take.name for take in takes if take.clipped]
    if clipped:
        one_side = any(
            0 < sum(bool(side_clipped) for side_clipped in _clipped_sides(q)) < len(q.sides)
            for q in facts.questions
        )
        return Check(
            code,
            heading,
            "cannot" if one_side else "look at this",
            f"{_counted(clipped)} clipped"
            + (
                ", in one condition only: the clipping may be what is heard."
                if one_side
                else ": distortion covers small differences."
            ),
            "Record again with less gain.",
        )
    if not facts.prepared:
        return _not_yet(code, heading)
    return Check(code, heading, "ready", "No take stands flat at its peak.")


def _clipped_sides(question: QuestionFacts) -> list[bool]:
    return [any(take.clipped for take in side.takes) for side in question.sides]


def _level(facts: Facts) -> Check:
    code, heading = "level", f"Levels within {LEVEL_GAP_DB:g} dB"
    takes = _all_takes(facts)
    silent = [take.name for take in takes if take.lufs is None]
    if silent:
        return Check(
            code, heading, "cannot", f"{_counted(silent)} silent.", "Record again, or leave it out."
        )
    levels = [take.lufs for take in takes if take.lufs is not None]
    gap = max(levels) - min(levels) if levels else 0.0
    if gap > LEVEL_GAP_DB:
        return Check(
            code,
            heading,
            "look at this",
            f"They differ by {gap:.1f} dB as recorded. Matching takes that out, but so large a gap "
            "often means that more was changed than is logged.",
            "Compare the chain and its gain, and log it.",
        )
    return Check(code, heading, "ready", f"They differ by {gap:.1f} dB as recorded.")


def _noise(facts: Facts) -> Check:
    code, heading = "noise", "Differences above the noise"
    # The first take has nothing to be subtracted from. Takes of its own condition may well leave
    # nothing but noise: that is how retakes should be.
    others = {
        take.name: take
        for question in facts.questions
        for side in question.sides
        if all(take.noise is not None for take in side.takes)
        for take in side.takes
    }
    known = list(others.values())
    if not facts.prepared or not known:
        return _not_yet(code, heading)
    noisy = [take.name for take in known if take.noise]
    if not noisy:
        return Check(
            code, heading, "ready", "What is left between takes is not merely their noise."
        )
    every = len(noisy) == len(known)
    return Check(
        code,
        heading,
        "cannot" if every else "look at this",
        f"What is left between {'the other takes' if every else listed(noisy)} and the first is "
        "mostly the recordings' own noise: a smaller difference is lost in it.",
        "Record louder into the recorder, or with a quieter one.",
    )


def _not_yet(code: str, heading: str) -> Check:
    return Check(
        code,
        heading,
        "look at this",
        "Not known before the clips are prepared.",
        "Prepare the clips, then come back to this list.",
    )


def _all_takes(facts: Facts) -> list[TakeFacts]:
    takes = {t.name: t for q in facts.questions for side in q.sides for t in side.takes}
    return list(takes.values())


def _counted(names: Sequence[str]) -> str:
    """ "take 3 is", "takes 1 and 2 are": for what comes after."""
    if len(names) == 1:
        return f"Take {names[0]} is"
    shown = list(names[:4]) + ([f"{len(names) - 4} more"] if len(names) > 4 else [])
    return f"Takes {listed(shown)} are"
