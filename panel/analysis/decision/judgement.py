"""From the votes of a study to a code for each contrast: evidence, Holm, decision.

One question's claim needs two things at once, chance beaten and the change made responsible, so
its p value is the larger of the two (an intersection–union test), and Holm's adjustment runs over
the questions of the plan. "Told apart at all" is a weaker claim with a family of its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from panel.analysis.counts.holm import holm
from panel.analysis.decision import evidence, of_the_change, rule, withdrawn
from panel.analysis.decision.coded import CodedVotes
from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.exclusion import apply
from panel.analysis.decision.rule import Findings
from panel.study.plan import Contrast, Plan
from panel.study.votes import Flags, Ints, ListenerTable


@dataclass(frozen=True)
class Judgement:
    """One contrast with its evidence, its adjusted p values, the findings and the code.

    `p_chance_holm`, `p_claim`, `p_claim_holm`: for questions, else None. `divided_holm`: for
    preference. `alone`: another answer to the same conditions shows that they are told apart.
    """

    contrast: Contrast
    evidence: Evidence
    code: str
    findings: Findings
    p_chance: float
    p_chance_holm: float | None
    p_claim: float | None
    p_claim_holm: float | None
    least_p: float | None
    divided_holm: float | None
    audible_elsewhere: bool


@dataclass(frozen=True)
class Part:
    """A part of a study's votes, and what was planned of it: see left_out beside this.

    `there` (votes,): which they are. By contrast id, `planned`: votes planned of this part;
    `finished`: listeners who had cast all of theirs.
    """

    there: Flags
    planned: Mapping[str, int]
    finished: Mapping[str, frozenset[str]]


def rng_for(plan: Plan, contrast: Contrast) -> np.random.Generator:
    """A stream of its own for each contrast, from the plan's SHA-256."""
    place = [c.id for c in plan.contrasts].index(contrast.id)
    return np.random.default_rng([int(plan.sha256, 16), place])


def _least_p(plan: Plan, question: Contrast) -> float:
    return of_the_change.least_p(question, plan.sampling[question.id])


def _barrier(plan: Plan, found: Evidence, removed: int) -> str | None:
    """What rules out a claim about the change, whatever the votes say; None if nothing does."""
    contrast = found.contrast
    if plan.anytime and removed:
        return "answers_removed"
    sizes = [len(c.takes) for c in contrast.conditions]
    if min(sizes) < 2:
        return "one_take"
    if contrast.override_reason:
        return "override"
    if len(contrast.differs) > 1:
        return "several_changes"
    if contrast.unlogged:
        return "unlogged"
    if plan.sampling[contrast.id].barrier:
        return plan.sampling[contrast.id].barrier
    if (
        contrast.asked_by.round_robin
        and not contrast.is_dose
        and found.asked.n
        and (found.within is None or found.within.n + found.within.ties == 0)
    ):
        return "no_retake_votes"
    if _least_p(plan, contrast) > plan.alpha:
        return "too_few_takes"
    return None


def _preference_band(plan: Plan, found: Evidence) -> bool:
    """Is the mean share of votes surely within 1/2 ± limit/2?

    If a share `limit` of the listeners always chose one side and the rest tossed coins, the mean
    would be at the edge of that band: so it means the same as the limit of the forced choice.
    """
    return found.mean_within(0.5 - plan.limit / 2, 0.5 + plan.limit / 2)


def _planned_end(sequence: Ints, planned: int) -> int | None:
    """Of votes in order of arrival, the sequence number of the one that completes the planned
    number; None before that."""
    return int(sequence[planned - 1]) if sequence.size >= planned > 0 else None


def _gather(
    plan: Plan,
    cast: CodedVotes,
    listeners: ListenerTable,
    exclude: bool,
    part: Part | None,
) -> dict[str, Evidence]:
    votes = cast.votes
    there = np.ones(len(votes), bool) if part is None else part.there
    arrived = np.flatnonzero(there)

    def that_count(rows: Ints) -> Ints:
        return apply(plan, votes, listeners, rows).kept if exclude else rows

    counted = that_count(arrived)
    out: dict[str, Evidence] = {}
    for contrast in plan.served:
        on = votes.on(contrast.id)
        all_own = cast.rows[contrast.id]
        all_own = all_own[there[all_own]]
        # Exclusion selects by the planted checks, so on them it would always look good.
        own = all_own if contrast.role == "planted_check" else counted[on[counted]]
        planned = plan.listeners * contrast.votes_per_listener
        if part is not None:
            planned = part.planned.get(contrast.id, planned)
        at_end: Ints | None = own
        if plan.anytime:
            # One look, at the planned vote, by the rule as it stood then.
            end = _planned_end(votes.sequence[all_own], planned)
            at_end = None
            if end is not None:
                kept = that_count(arrived[votes.sequence[arrived] <= end])
                at_end = kept[on[kept]]
        coded = cast.some(contrast, own)
        last = None
        if at_end is not None:
            last = coded if np.array_equal(at_end, own) else cast.some(contrast, at_end)
        out[contrast.id] = evidence.of_question(
            plan,
            contrast,
            coded,
            last,
            all_own.size,
            rng_for(plan, contrast),
            planned=planned,
            finished=None if part is None else part.finished.get(contrast.id),
            decision_only=part is not None,
        )
    for contrast in plan.contrasts:
        if contrast.of is not None:
            out[contrast.id] = evidence.of_derived_control(plan, contrast, out[contrast.of])
    return {c.id: out[c.id] for c in plan.contrasts}


def _agrees(found: Evidence) -> bool:
    """Directed: votes across conditions and take scores must point the same way."""
    if not found.contrast.directed or found.asked.count is None or found.attribution is None:
        return True
    lead = 2 * found.asked.count - found.asked.n
    return lead * found.attribution.statistic > 0


def _same_conditions(a: Contrast, b: Contrast) -> bool:
    sides_a = {frozenset(c.takes) for c in a.conditions}
    sides_b = {frozenset(c.takes) for c in b.conditions}
    names_a, names_b = ({c.label for c in x.conditions} for x in (a, b))
    return sides_a == sides_b or (a.factor is not None and a.factor == b.factor
                                  and names_a == names_b)  # fmt: skip


def judge(
    plan: Plan,
    cast: CodedVotes,
    listeners: ListenerTable,
    *,
    exclude: bool = True,
    part: Part | None = None,
) -> dict[str, Judgement]:
    """Every contrast of the plan, in its order. `cast`: checked votes, in order of arrival.

    `part`: the part of the votes that is judged, where it is not all; only the codes are then what
    they would be, as numbers that cannot change them are left out. The plan may lack takes that no
    vote of the part is on.
    """
    gone = withdrawn.found_in(listeners)
    removed = {
        c.id: withdrawn.most_removed(plan.contrast(c.of) if c.of else c, gone)
        for c in plan.contrasts
    }
    there = withdrawn.present(listeners)
    found = _gather(plan, cast, there, exclude, part)
    if exclude and plan.excludes:
        everybody = _gather(plan, cast, there, False, part)
        found = {id_: one.beside(everybody[id_]) for id_, one in found.items()}
    return decide(plan, found, removed)


def decide(
    plan: Plan, found: Mapping[str, Evidence], removed: Mapping[str, int]
) -> dict[str, Judgement]:
    """The judgements that follow from the evidence, by contrast id, of every contrast.

    `removed`: answers on each contrast that may have been taken out while outcomes could be seen.
    """

    family = _family(plan, found, removed)
    codes = _of_checks(plan, found, removed)
    check_heard = any(code == "heard" for code, _ in codes.values())
    for c in plan.contrasts:
        if c.role != "planted_check":
            findings = _findings(plan, found[c.id], removed[c.id], family, check_heard)
            codes[c.id] = _code(c, findings), findings
    return {
        c.id: Judgement(
            contrast=c,
            evidence=found[c.id],
            code=codes[c.id][0],
            findings=codes[c.id][1],
            p_chance=_against_chance(plan, found[c.id], removed[c.id]),
            p_chance_holm=family.chance_holm.get(c.id),
            p_claim=family.claim.get(c.id),
            p_claim_holm=family.claim_holm.get(c.id),
            least_p=_least_p(plan, c) if c.role == "question" else None,
            divided_holm=family.divided_holm.get(c.id),
            audible_elsewhere=any(
                codes[other.id][0] == "heard" and _same_conditions(c, other)
                for other in plan.questions
            ),
        )
        for c in plan.contrasts
    }


@dataclass(frozen=True)
class _Family:
    """The questions of a plan taken together: by contrast id, p values and Holm's over them, and
    what rules a claim out."""

    chance_holm: Mapping[str, float]
    claim: Mapping[str, float]
    claim_holm: Mapping[str, float]
    divided_holm: Mapping[str, float]
    barriers: Mapping[str, str | None]


def _against_chance(plan: Plan, found: Evidence, removed: int) -> float:
    """p against chance, at the worst that the answers taken out can have been."""
    if plan.anytime and removed:
        return withdrawn.p_at_worst(found.contrast, found.asked.count, found.asked.n, removed)
    return found.p_chance(plan)


def _adjusted(p_values: Mapping[str, float]) -> dict[str, float]:
    return dict(zip(p_values, holm(list(p_values.values())), strict=True))


def _family(plan: Plan, found: Mapping[str, Evidence], removed: Mapping[str, int]) -> _Family:
    questions = {q.id: found[q.id] for q in plan.questions}
    barriers = {id_: _barrier(plan, q, removed[id_]) for id_, q in questions.items()}
    chance = {id_: _against_chance(plan, q, removed[id_]) for id_, q in questions.items()}
    claim = {
        id_: 1.0 if barriers[id_] else _claim_p(q, chance[id_]) for id_, q in questions.items()
    }
    for id_ in questions:
        if barriers[id_] is None and not _within_reach(plan, id_, claim):
            barriers[id_] = "too_many_questions"
    return _Family(
        chance_holm=_adjusted(chance),
        claim=claim,
        claim_holm=_adjusted(claim),
        divided_holm=_adjusted(
            {id_: q.divided.p for id_, q in questions.items() if q.divided is not None}
        ),
        barriers=barriers,
    )


def _claim_p(found: Evidence, chance: float) -> float:
    """The larger of the two: chance beaten, and the change made responsible."""
    if found.attribution is None or not _agrees(found):
        return 1.0
    return max(chance, found.attribution.p)


def _within_reach(plan: Plan, id_: str, claim: Mapping[str, float]) -> bool:
    """Could the takes of a question pass Holm beside the other questions as they stand?"""
    at_best = {**claim, id_: _least_p(plan, plan.contrast(id_))}
    return _adjusted(at_best)[id_] <= plan.alpha


def _of_checks(
    plan: Plan, found: Mapping[str, Evidence], removed: Mapping[str, int]
) -> dict[str, tuple[str, Findings]]:
    codes = {}
    for c in plan.contrasts:
        if c.role == "planted_check":
            e = found[c.id]
            beats = _against_chance(plan, e, removed[c.id]) <= plan.alpha
            code = rule.planted_check(
                beats_chance=beats, share_lower=e.share_lower, limit=plan.limit
            )
            codes[c.id] = code, Findings(votes=e.asked.n > 0, beats_chance=beats)
    return codes


def _findings(
    plan: Plan, found: Evidence, removed: int, family: _Family, check_heard: bool
) -> Findings:
    id_, earns = found.contrast.id, found.contrast.asked_by.earns
    question = id_ in family.claim
    chance = family.chance_holm[id_] if question else _against_chance(plan, found, removed)
    # Whoever could see outcomes could have had those removed who heard it.
    untouched = not (plan.anytime and removed)
    return Findings(
        votes=found.asked.n + found.asked.ties > 0,
        beats_chance=chance <= plan.alpha,
        barrier=family.barriers.get(id_),
        ready=not plan.anytime or found.planned_in,
        attributed=question and family.claim_holm[id_] <= plan.alpha,
        bounded=untouched and found.share_under(plan.limit),
        check_heard=check_heard,
        planned_in=found.planned_in,
        divided=family.divided_holm.get(id_, 1.0) <= plan.alpha,
        level="no_preference" in earns and untouched and _preference_band(plan, found),
    )


def _code(contrast: Contrast, findings: Findings) -> str:
    earns = contrast.asked_by.earns
    if contrast.role == "question":
        return rule.question(findings, earns)
    return rule.retake_control(findings, absence="not_heard" in earns)
