"""A table of votes without its plan: what the votes say by themselves, and no verdict.

The table has no conditions, no roles and no stopping rule, so nothing here is put down to a
change, nothing is called heard or not heard, and nothing is adjusted for the number of contrasts.
With the plan, `concluded` gives the verdict as the study's own end would.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from panel.analysis import reliability, sizes
from panel.analysis.decision import evidence
from panel.analysis.decision.coded import CodedVotes
from panel.analysis.decision.evidence import Evidence
from panel.analysis.verdict import conclude, plain
from panel.analysis.wording.phrases import percent
from panel.analysis.wording.reasons import swapped_words
from panel.errors import BadInput
from panel.procedures.base import EMPTY, Procedure
from panel.procedures.catalogue import PROCEDURES
from panel.prose import about, p_equals, plural
from panel.study.conditions import Condition
from panel.study.plan import (
    Contrast,
    Exclusion,
    Plan,
    PlanExcerpt,
    PlanTake,
    Stop,
)
from panel.study.plan_reading import read_plan
from panel.study.votes import (
    RIGHT,
    UNMARKED,
    WRONG,
    Ints,
    ListenerTable,
    VoteTable,
    listeners_of,
)
from panel.study.votes_check import check_against_plan, check_slots

FORMAT = "fair-hearing-pooled/1"
ALPHA = 0.05
CONFIDENCE = 0.95
NEED_TABLE = "Use a votes.csv as a study exports it."


def concluded(
    plan: Mapping[str, Any], votes: VoteTable, listeners: ListenerTable | None = None
) -> dict[str, Any]:
    """The verdict of a table with its plan; without `listeners`, as if nothing was declared.

    Raises BadInput as `conclude` does, for an empty table, and where the plan's exclusion rule
    needs the listeners' table.
    """
    _some(votes)
    if listeners is None:
        read = read_plan(dict(plan))
        if read.exclude_by_headphones:
            raise BadInput(
                "By this plan only listeners who passed the headphone check count, and who did "
                "is not in the vote table.",
                hint="Give the listeners.csv of the same export too (--listeners).",
            )
        listeners = listeners_of(votes, sum(c.votes_per_listener for c in read.contrasts))
    document = conclude(plan, votes, listeners, whole=False)
    document["limits"] += [
        "Whether this is the plan that was fixed before the first vote, only its SHA-256 tells: "
        "compare it with the one that was published."
    ]
    return document


def pool(votes: VoteTable) -> dict[str, Any]:
    """What a vote table says without its plan, as plain JSON values.

    Raises BadInput, with a sentence, for an empty table or one that contradicts itself.
    """
    _some(votes)
    _, first = np.unique(votes.contrast, return_index=True)
    ids = [votes.contrasts[votes.contrast[i]] for i in sorted(first.tolist())]  # as they come
    plan = _as_plan([_as_contrast(id_, votes) for id_ in ids], votes)
    checked, rows = check_against_plan(plan, votes, listeners_of(votes))
    cast = CodedVotes.of(plan, checked)
    entries, dprimes = [], {}
    for place, contrast in enumerate(plan.contrasts):
        coded = cast.coded[contrast.id]
        # No plan, so no seed in it: the Monte Carlo stream is the contrast's place, and fixed.
        found = evidence.of_question(
            plan, contrast, coded, None, coded.y.size, np.random.default_rng([0, place])
        )
        excerpts = len(checked.of_contrast(contrast.id).heard)
        entry, listeners = _entry(found, excerpts)
        entries.append(entry)
        dprimes[contrast.id] = listeners
    document: dict[str, Any] = plain(
        {
            "format": FORMAT,
            "votes": len(checked),
            "listeners": len(rows),
            "verdict": None,
            "contrasts": entries,
            "reliability": _reliability(plan, checked, rows, dprimes),
            "limits": _limits(plan, rows),
        }
    )
    return document


def _some(votes: VoteTable) -> None:
    if not len(votes):
        raise BadInput("The vote table holds no votes.", hint=NEED_TABLE)


def _as_contrast(id_: str, votes: VoteTable) -> Contrast:
    """A contrast as the table shows it: every take by itself, nothing known of conditions.

    Where right and wrong is marked although the procedure has a direction (a planted check by
    attribute), the takes that are right to choose are one side.
    """
    own = votes.of_contrast(id_)
    kind = _procedure_of(id_, own)
    check_slots(kind, own, NEED_TABLE)
    asked = Contrast(
        id=id_,
        name=id_,
        role="question",
        procedure=kind.code,
        conditions=tuple(Condition(take, (take,)) for take in _named(own, own.slots)),
        level="unknown",
        votes_per_listener=1,
        ties=bool(own.tied.any()),
    )
    check = replace(asked, role="planted_check")
    if not check.known_direction or not np.any(own.correct != UNMARKED):
        return asked
    sides = _marked_sides(id_, own, kind.chosen(own.slots, own.given))
    return replace(check, conditions=tuple(Condition(", ".join(side), side) for side in sides))


def _procedure_of(id_: str, own: VoteTable) -> Procedure:
    """The one procedure that the votes of a contrast were put by."""
    codes = [own.procedures[i] for i in np.unique(own.procedure).tolist()]
    unknown = [code for code in codes if code not in PROCEDURES]
    if unknown:
        raise BadInput(
            f"Contrast “{id_}” has votes by the unknown procedure {unknown[0]!r}; known are "
            f"{', '.join(PROCEDURES)}.",
            hint=NEED_TABLE,
        )
    if len(codes) > 1:
        raise BadInput(
            f"Contrast “{id_}” has votes by {' and '.join(codes)}: one contrast is asked by "
            "one procedure.",
            hint="Give contrasts asked in different ways different ids.",
        )
    return PROCEDURES[codes[0]]


def _marked_sides(id_: str, own: VoteTable, chosen: Ints) -> tuple[tuple[str, ...], ...]:
    """The takes that are wrong to choose, by the marks of the votes, and those that are right."""
    wrong = own.correct == WRONG
    right = {*_named(own, chosen[own.correct == RIGHT])}
    right |= {*_named(own, own.slots[wrong])} - {*_named(own, chosen[wrong])}
    takes = _named(own, own.slots)
    sides = tuple(tuple(t for t in takes if (t in right) == side) for side in (False, True))
    if not all(sides):
        raise BadInput(
            f"The votes on “{id_}” are marked right and wrong in a way that no side of its "
            "takes explains.",
            hint=NEED_TABLE,
        )
    return sides


def _named(votes: VoteTable, takes: Ints) -> list[str]:
    """The ids of the takes that are there, in order."""
    return [votes.takes[i] for i in np.unique(takes[takes != EMPTY]).tolist()]


def _as_plan(contrasts: Sequence[Contrast], votes: VoteTable) -> Plan:
    takes = dict.fromkeys(t for c in contrasts for side in c.conditions for t in side.takes)
    return Plan(
        title="",
        question="",
        alpha=ALPHA,
        limit=1.0,
        confidence=CONFIDENCE,
        stop=Stop("fixed", len(votes.people)),
        exclusion=Exclusion(),
        own_summary=False,
        schedule_seed="",
        factors=(),
        takes=tuple(PlanTake(take, take, "", 0) for take in takes),
        excerpts=tuple(PlanExcerpt(e, 0.0, 0.0) for e in votes.heard),
        contrasts=tuple(contrasts),
    )


def _entry(
    found: Evidence, excerpts: int
) -> tuple[dict[str, Any], dict[str, tuple[float, float, float]]]:
    contrast, asked = found.contrast, found.asked
    size = sizes.of_question(found, ALPHA, CONFIDENCE)
    notes = [_chance_sentence(found), swapped_words(found) if found.swapped else ""]
    enough = asked.listeners >= sizes.LEAST_LISTENERS
    if not enough:
        notes.append(
            f"Votes of {plural(asked.listeners, 'listener')} say nothing about other people: no "
            "share of listeners, no interval and no size are given."
        )
    elif found.share_upper is not None:
        mixed = len([t for c in contrast.conditions for t in c.takes]) > 2
        notes.append(
            "If the number of votes was fixed beforehand: of such listeners at least "
            f"{percent(found.share_lower or 0.0, down=True)} hear a difference in these "
            f"comparisons, and at most {percent(found.share_upper, up=True)} hear one every time"
            + (
                ". This is over all pairs of takes, those of one condition with those across; how "
                "many hear the change only the plan can tell."
                if mixed
                else "."
            )
        )
    if excerpts == 1:
        notes.append("One excerpt was heard: the votes hold for it alone.")
    if contrast.directed and asked.count is None:
        notes.append(
            "Which side each take is on stands in the plan, so no share and no size are given."
        )
    elif enough and size.dprime is not None:
        between = f" ({size.interval[0]:.2f} to {size.interval[1]:.2f})" if size.interval else ""
        notes.append(f"Size d′ {size.dprime:.2f}{between}. {size.message}".strip())
    elif enough:
        notes.append(size.message)
    numbers = {
        "chance": contrast.chance,
        "share": asked.count / asked.n if asked.count is not None else None,
        "interval": found.interval if enough else None,
        "p_chance": asked.p,
        "e_value": asked.e_value,
        "p_anytime": asked.p_anytime,
        "listeners": asked.listeners,
        "excerpts": excerpts,
        "share_estimate": found.share_estimate if enough else None,
        "share_lower": found.share_lower if enough else None,
        "share_upper": found.share_upper if enough else None,
        "dprime": size.dprime if enough else None,
        "dprime_of": size.of if enough else None,
        "dprime_interval": size.interval if enough else None,
        "listener_sd": size.listener_sd,
        "pair_sd": None if size.take_sd is None else size.take_sd * 2**0.5,
        "excerpt_sd": size.excerpt_sd,
        "model_message": size.message,
        "attribution": None,
    }
    entry = {
        "id": contrast.id,
        "procedure": contrast.procedure,
        "sentence": _found_sentence(found),
        "notes": [note for note in notes if note],
        "correct": asked.count,
        "counted": _counted(contrast, asked.count),
        "trials": asked.n,
        "takes": len([t for c in contrast.conditions for t in c.takes]),
        "numbers": numbers,
    }
    return entry, size.listeners if enough else {}


def _counted(contrast: Contrast, count: int | None) -> str | None:
    """What `correct` counts, in words; None where nothing can be counted."""
    if count is None:
        return None
    if contrast.directed and contrast.role == "question":
        return f"votes for {contrast.conditions[1].label}"
    return "right answers"


def _found_sentence(found: Evidence) -> str:
    contrast, asked = found.contrast, found.asked
    people = plural(asked.listeners, "listener")
    what = f"{asked.n} blind comparisons by {people}"
    if asked.count is None:
        return f"{what}, of {len(contrast.conditions)} takes with one another."
    if contrast.directed and contrast.role == "question":
        low, high = (c.label for c in contrast.conditions)
        return f"“{high}” was chosen over “{low}” in {asked.count} of {what}."
    guess = about(asked.n * contrast.chance)
    return f"Right in {asked.count} of {what}, where guessing gives about {guess}."


def _chance_sentence(found: Evidence) -> str:
    asked = found.asked
    by = "coins explain" if found.contrast.directed else "guessing explains"
    if asked.p_anytime <= ALPHA < asked.p:
        return (
            f"At one moment the votes stood beyond what {by} ({p_equals(asked.p_anytime)}, valid "
            f"whenever somebody looked); all of them together do not ({p_equals(asked.p)})."
        )
    if asked.p_anytime <= ALPHA:
        return f"That is more than {by}, whenever somebody looked ({p_equals(asked.p_anytime)})."
    if asked.p <= ALPHA:
        return (
            f"That is more than {by} only if the number of votes was fixed before the first "
            f"({p_equals(asked.p)}); if somebody could look and stop, it is not shown "
            f"({p_equals(asked.p_anytime)})."
        )
    return (
        f"That is not shown to be more than {by} ({p_equals(asked.p)}). It is no proof that "
        "nothing is heard."
    )


def _reliability(
    plan: Plan,
    votes: VoteTable,
    rows: ListenerTable,
    dprimes: Mapping[str, Mapping[str, tuple[float, float, float]]],
) -> list[dict[str, Any]]:
    """What the votes alone tell of each listener; who counts is the plan's to say."""
    known = reliability.per_listener(plan, votes, rows, (), dprimes)
    unknown = ("counts", "finished", "headphone_check", "planted")
    return [{k: v for k, v in entry.items() if k not in unknown} for entry in known]


def _limits(plan: Plan, rows: ListenerTable) -> list[str]:
    out = [
        "No verdict: this is the table without its plan. Give the plan (--plan plan.json) for one.",
        "Whether what was changed is responsible cannot be said: that needs the conditions of the "
        "takes. Two recordings can differ by re-recording alone.",
        "Comparisons of two takes of one condition, where there are any, are counted together "
        "with those across conditions; and a planted check looks like a question.",
        "Nobody is excluded, and which rule the plan has for that is not known.",
    ]
    if len(plan.contrasts) > 1:
        out.append(
            f"Nothing is adjusted for there being {len(plan.contrasts)} contrasts: among many, "
            "one may pass by luck."
        )
    if len(rows) == 1:
        out.append("All votes are by one listener.")
    return out
