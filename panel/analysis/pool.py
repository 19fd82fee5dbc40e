"""A table of votes without its plan: what the votes say by themselves, and no verdict.

The table has no conditions, no roles and no stopping rule, so nothing here is put down to a
change, nothing is called heard or not heard, and nothing is adjusted for the number of contrasts.
With the plan, `concluded` gives the verdict as the study's own end would.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from panel.analysis import reliability, sizes
from panel.analysis.decision import evidence
from panel.analysis.decision.coded import CodedVotes
from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.reasons import swapped
from panel.analysis.sizes import Size
from panel.analysis.verdict import conclude, rounded
from panel.errors import BadInput
from panel.procedures.base import EMPTY, Procedure
from panel.procedures.catalogue import PROCEDURES
from panel.study.conditions import Condition
from panel.study.plan import (
    Contrast,
    Exclusion,
    Plan,
    PlanExcerpt,
    PlanTake,
    Stop,
)
from panel.study.pooled import Pooled, PooledContrast, PooledNumbers
from panel.study.verdict import Remark, Verdict
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

ALPHA = 0.05
CONFIDENCE = 0.95
NEED_TABLE = "Use a votes.csv as a study exports it."


def concluded(plan: Plan, votes: VoteTable, listeners: ListenerTable | None = None) -> Verdict:
    """The verdict of a table with its plan; without `listeners`, as if nothing was declared.

    Raises BadInput as `conclude` does, for an empty table, and where the plan's exclusion rule
    needs the listeners' table.
    """
    _some(votes)
    if listeners is None:
        if plan.exclude_by_headphones:
            raise BadInput(
                "By this plan only listeners who passed the headphone check count, and who did "
                "is not in the vote table.",
                hint="Give the listeners.csv of the same export too (--listeners).",
            )
        listeners = listeners_of(votes, sum(c.votes_per_listener for c in plan.contrasts))
    found = conclude(plan, votes, listeners, whole=False)
    return replace(found, limits=(*found.limits, Remark("which_plan")))


def pool(votes: VoteTable) -> Pooled:
    """What a vote table says without its plan.

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
        size = sizes.of_question(found, ALPHA, CONFIDENCE)
        entries.append(_entry(found, size, len(checked.of_contrast(contrast.id).heard)))
        dprimes[contrast.id] = size.listeners if _enough(found) else {}
    told = Pooled(
        votes=len(checked),
        listeners=len(rows),
        contrasts=tuple(entries),
        # Who counts is the plan's to say.
        reliability=tuple(
            replace(row, known=None)
            for row in reliability.per_listener(plan, checked, rows, (), dprimes)
        ),
        limits=_limits(plan, rows),
    )
    return rounded(told)


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


def _enough(found: Evidence) -> bool:
    """Whether the votes say anything about other people."""
    return found.asked.listeners >= sizes.LEAST_LISTENERS


def _entry(found: Evidence, size: Size, excerpts: int) -> PooledContrast:
    contrast, asked = found.contrast, found.asked
    counts_votes = asked.count is not None and contrast.directed and contrast.role == "question"
    return PooledContrast(
        id=contrast.id,
        procedure=contrast.procedure,
        notes=_notes(found, size, excerpts),
        correct=asked.count,
        trials=asked.n,
        takes=sum(len(c.takes) for c in contrast.conditions),
        numbers=_numbers(found, size, excerpts),
        sides=tuple(c.label for c in contrast.conditions) if counts_votes else (),
    )


def _notes(found: Evidence, size: Size, excerpts: int) -> tuple[Remark, ...]:
    asked = found.asked
    out = [Remark("chance")]
    if found.swapped:
        out.append(swapped(found))
    if not _enough(found):
        out.append(Remark("few_listeners"))
    elif found.share_upper is not None:
        several = sum(len(c.takes) for c in found.contrast.conditions) > 2
        out.append(Remark("share_of_all_pairs" if several else "share"))
    if excerpts == 1:
        out.append(Remark("one_excerpt"))
    if found.contrast.directed and asked.count is None:
        out.append(Remark("sides_unknown"))
    elif _enough(found):
        out.append(Remark("no_size" if size.dprime is None else "size"))
    return tuple(out)


def _numbers(found: Evidence, size: Size, excerpts: int) -> PooledNumbers:
    asked, enough = found.asked, _enough(found)
    return PooledNumbers(
        chance=found.contrast.chance,
        share=asked.share,
        interval=found.interval if enough else None,
        p_chance=asked.p,
        e_value=asked.e_value,
        p_anytime=asked.p_anytime,
        listeners=asked.listeners,
        excerpts=excerpts,
        share_estimate=found.share_estimate if enough else None,
        share_lower=found.share_lower if enough else None,
        share_upper=found.share_upper if enough else None,
        dprime=size.dprime if enough else None,
        dprime_of=size.of if enough else None,
        dprime_interval=size.interval if enough else None,
        listener_sd=size.listener_sd,
        pair_sd=None if size.take_sd is None else size.take_sd * 2**0.5,
        excerpt_sd=size.excerpt_sd,
        model_message=size.message,
        attribution=None,
    )


def _limits(plan: Plan, rows: ListenerTable) -> tuple[Remark, ...]:
    out = [Remark(code) for code in ("no_plan", "no_conditions", "all_together", "nobody_excluded")]
    if len(plan.contrasts) > 1:
        out.append(Remark("not_adjusted", {"contrasts": len(plan.contrasts)}))
    if len(rows) == 1:
        out.append(Remark("one_listener"))
    return tuple(out)
