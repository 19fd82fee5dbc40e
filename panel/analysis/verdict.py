"""The verdict of a study: a pure function of the plan, the votes and the listeners' table.

The same input gives the same facts to the last digit, on the server and from an archive: Monte
Carlo streams are seeded by the plan's SHA-256, and numbers are rounded to six significant digits.
"""

import math
from dataclasses import asdict
from typing import TypeVar

import numpy as np

from panel.analysis import listeners_across, ranked, reliability, sizes
from panel.analysis.counts import anytime, anytime_difference, called_different
from panel.analysis.counts.by_excerpt import by_excerpt
from panel.analysis.decision import left_out, withdrawn
from panel.analysis.decision.against_chance import Tally
from panel.analysis.decision.by_stratum import by_stratum
from panel.analysis.decision.coded import CodedVotes
from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.exclusion import apply
from panel.analysis.decision.judgement import Judgement, judge
from panel.analysis.decision.limits import limits
from panel.analysis.decision.next_steps import next_steps
from panel.analysis.decision.reasons import reasons
from panel.analysis.dose import numbers as dose_numbers
from panel.analysis.preference import worths
from panel.analysis.sizes import Size
from panel.errors import BadInput
from panel.study.documents import Entry, Json
from panel.study.plan import Plan
from panel.study.shapes import NOT_TOLD, NotTold, read, written
from panel.study.verdict import (
    AnytimeDifference,
    Attribution,
    ConditionTakes,
    ContrastVerdict,
    Divided,
    ExcerptVotes,
    Excluded,
    Numbers,
    QuestionNumbers,
    Ranking,
    Rates,
    StratumVotes,
    TakeVotes,
    Verdict,
    Worths,
)
from panel.study.votes import ListenerTable, VoteTable
from panel.study.votes_check import check_against_plan

DIGITS = 6
Found = TypeVar("Found")


def conclude(
    plan: Plan,
    votes: VoteTable,
    listeners: ListenerTable,
    *,
    whole: bool = True,
) -> Verdict:
    """What the votes say by the plan's rule, in facts.

    `whole`: these are all votes that were cast; of a table from elsewhere nobody knows. Raises
    BadInput, with a sentence, if the tables contradict themselves or the plan.
    """
    checked, everybody = check_against_plan(plan, votes, listeners)
    gone, rows = withdrawn.found_in(everybody), withdrawn.present(everybody)
    exclusion = apply(plan, checked, rows)
    cast = CodedVotes.of(plan, checked)
    judged = judge(plan, cast, everybody)
    without = judge(plan, cast, everybody, exclude=False) if exclusion.excluded else judged
    sized = {
        id_: sizes.of_question(j.evidence, plan.alpha, plan.confidence)
        for id_, j in judged.items()
        if j.contrast.role == "question"
    }
    found = Verdict(
        plan_sha256=plan.sha256,
        votes=len(checked),
        listeners=len(checked.people),
        excluded=Excluded(
            listeners=exclusion.excluded,
            changes_verdict=any(judged[i].code != without[i].code for i in judged),
            verdicts_without={i: without[i].code for i in judged},
        ),
        contrasts=tuple(
            _contrast(plan, j, sized.get(id_), gone, whole=whole) for id_, j in judged.items()
        ),
        reliability=reliability.per_listener(
            plan, checked, rows, exclusion.excluded, {i: s.listeners for i, s in sized.items()}
        ),
        left_out=left_out.told(left_out.leave_out(plan, cast, everybody, judged), judged),
        limits=limits(plan, list(judged.values()), rows),
        listeners_across=tuple(
            listeners_across.of_questions(
                {id_: j.evidence for id_, j in judged.items()}, sized, plan.alpha
            )
        ),
        withdrawn=withdrawn.told(gone),
    )
    return rounded(found)


def rounded(found: Found) -> Found:
    """The same with floats to six significant digits, None for what is not finite."""
    return read(type(found), Entry(_rounded(written(found)), "verdict", ""))


def _rounded(value: Json) -> Json:
    if isinstance(value, dict):
        return {key: _rounded(each) for key, each in value.items()}
    if isinstance(value, list):
        return [_rounded(each) for each in value]
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") + 0.0 if math.isfinite(value) else None
    return value


def _contrast(
    plan: Plan, judged: Judgement, size: Size | None, gone: withdrawn.Withdrawn, *, whole: bool
) -> ContrastVerdict:
    contrast, asked = judged.contrast, judged.evidence.asked
    order = ranked.in_order(plan, judged) if contrast.role == "question" else None
    sampling = plan.sampling[contrast.id] if contrast.role == "question" else None
    return ContrastVerdict(
        id=contrast.id,
        name=contrast.name,
        role=contrast.role,
        procedure=contrast.procedure,
        verdict=judged.code,
        reasons=reasons(plan, judged, order, gone, whole=whole),
        next=next_steps(plan, judged),
        correct=asked.count,
        trials=asked.n,
        numbers=_numbers(
            plan, judged, None if size is None else _of_question(plan, judged, size, order)
        ),
        beats_chance=judged.findings.beats_chance,
        ties=asked.ties,
        audible_elsewhere=judged.audible_elsewhere,
        scope=None if sampling is None else sampling.scope,
        specimens=() if sampling is None else sampling.specimens,
    )


def _share(tally: Tally | None) -> float | None:
    return None if tally is None else tally.share


def _numbers(plan: Plan, judged: Judgement, question: QuestionNumbers | None) -> Numbers:
    e, asked = judged.evidence, judged.evidence.asked
    sequence = None
    if plan.anytime and asked.count is not None and asked.n:
        sequence = anytime.confidence_sequence(asked.count, asked.n, 1 - plan.confidence)
    return Numbers(
        chance=judged.contrast.chance,
        share_right=_share(asked),
        interval=e.interval,
        p_chance=asked.p if asked.n else None,
        p_chance_holm=judged.p_chance_holm if asked.n else None,
        e_value=asked.e_value if asked.n else None,
        p_anytime=asked.p_anytime if asked.n else None,
        listeners=asked.listeners,
        votes_cast=e.cast,
        votes_planned=e.planned,
        share_estimate=e.share_estimate,
        share_upper=e.share_upper,
        share_lower=e.share_lower,
        confidence_sequence=sequence,
        question=question,
        control_rates=_rates(e) if question is None else None,
    )


def _of_question(
    plan: Plan, judged: Judgement, size: Size, order: Ranking | None
) -> QuestionNumbers:
    e, contrast = judged.evidence, judged.contrast
    given = contrast.given
    return QuestionNumbers(
        conditions=tuple(
            ConditionTakes(c.label, c.dose, len(c.takes)) for c in contrast.conditions
        ),
        within_right=None if e.within is None else e.within.count,
        within_trials=0 if e.within is None else e.within.n,
        within_share=_share(e.within),
        within_p=None if e.within is None or not e.within.n else e.within.p,
        p_heard=judged.p_claim,
        p_heard_holm=judged.p_claim_holm,
        barrier=judged.findings.barrier,
        attribution=_attribution(judged),
        takes=_takes(e),
        dprime=size.dprime,
        dprime_of=size.of,
        dprime_interval=size.interval,
        listener_sd=size.listener_sd,
        take_sd=size.take_sd,
        excerpt_sd=size.excerpt_sd,
        model_message=size.message,
        anytime_difference=_anytime_difference(e) if _asked_at_any_look(plan, e) else None,
        given=tuple(plan.factor_names.get(f, f) for f in given),
        cells=contrast.cells if given else (),
        by_excerpt=_by_excerpt(plan, e),
        by_stratum=tuple(StratumVotes(s.label, s.count, s.n) for s in by_stratum(e)),
        # No vote links takes of two strata.
        worths=_worths(e) if contrast.directed and not given else None,
        ranking=order,
        dose_response=dose_numbers.numbers(plan, judged),
        rates=_rates(e),
        neither=e.asked.ties if contrast.ties else None,
        divided=_divided(judged) if contrast.liking else None,
    )


def _by_excerpt(plan: Plan, e: Evidence) -> tuple[ExcerptVotes, ...]:
    """Votes across conditions by excerpt, with limits where there is a right answer and one look;
    empty for votes on one excerpt."""
    coded = e.coded
    if coded is None or len(coded.excerpts) < 2:
        return ()
    use = coded.across & coded.decided
    found = by_excerpt(
        coded.y[use],
        coded.listener[use],
        coded.excerpt[use],
        len(coded.excerpts),
        e.contrast.chance,
        plan.confidence,
    )
    limited = not plan.anytime and e.share_upper is not None
    return tuple(
        ExcerptVotes(
            excerpt,
            one.right,
            one.n,
            one.listeners,
            one.estimate if limited else None,
            one.lower_together if limited else None,
            one.upper_together if limited else None,
        )
        for excerpt, one in zip(coded.excerpts, found, strict=True)
    )


def _asked_at_any_look(plan: Plan, found: Evidence) -> bool:
    return plan.anytime and not found.contrast.directed and found.rates is None


def _divided(judged: Judgement) -> Divided | NotTold:
    d = judged.evidence.divided
    if d is None:
        return NOT_TOLD
    return Divided(d.spread, d.p_listeners, d.labels.p, judged.divided_holm)


def _rates(e: Evidence) -> Rates | None:
    """Same–different: how often pairs of each kind were called different; τ by maximum likelihood.

    Each interval is at 1 − (1 − confidence)/2, so that both hold together at the plan's.
    """
    if e.rates is None:
        return None
    got = called_different.estimate(e.rates)
    r = e.rates
    return Rates(
        hits=r.hits,
        different_trials=r.different,
        hit_rate=r.hits / r.different if r.different else None,
        hit_interval=r.hit_interval,
        false_alarms=r.false_alarms,
        same_trials=r.same,
        false_alarm_rate=r.false_alarms / r.same if r.same else None,
        false_alarm_interval=r.false_alarm_interval,
        within_called_different=r.within,
        within_different_trials=r.within_pairs,
        tau=None if got is None else got.tau,
    )


def _anytime_difference(e: Evidence) -> AnytimeDifference | NotTold:
    """Question against retakes at any look; NOT_TOLD until a block of both is there."""
    if e.coded is None:
        return NOT_TOLD
    coded = e.coded
    found = anytime_difference.compare(
        zip(coded.listener.tolist(), coded.across.tolist(), coded.y.tolist(), strict=True)
    )
    return AnytimeDifference(**asdict(found)) if found.blocks else NOT_TOLD


def _attribution(judged: Judgement) -> Attribution:
    a, change = judged.evidence.attribution, judged.evidence.change
    return Attribution(
        statistic=None if a is None else a.statistic,
        p=None if a is None else a.p,
        p_holm=None if a is None else judged.p_claim_holm,
        least_p=judged.least_p,
        labelings=None if a is None else a.labelings,
        exact=None if a is None else a.exact,
        p_units=None if change is None else change.p_units,
        p_listeners=None if change is None else change.p_listeners,
        p_both=None if change is None else change.p_both,
    )


def _takes(e: Evidence) -> tuple[TakeVotes, ...]:
    """Votes on each take: undirected, pairs with it told apart; directed, pairs that it won."""
    if e.coded is None:
        return ()
    coded = e.coded
    out = []
    for i, take in enumerate(coded.take_ids):
        here = (coded.first == i) | (coded.second == i)
        if e.contrast.directed:
            here = here & coded.decided
            good = np.where(coded.y, coded.second, coded.first)[here] == i
        else:
            here = here if coded.differ is None else here & coded.differ
            good = coded.y[here]
        out.append(TakeVotes(take, int(good.sum()), int(here.sum())))
    return tuple(out)


def _worths(e: Evidence) -> Worths | NotTold:
    """Log worths of the takes (mean 0) and of the conditions, and the log odds of position one.

    NOT_TOLD where a take only ever wins or loses. They have no interval: votes of one listener are
    not independent; the test is the permutation of labels.
    """
    if e.coded is None or e.coded.y.size == 0:
        return NOT_TOLD
    coded = e.coded
    try:
        fitted = worths.fit(
            *worths.as_presented(coded.first, coded.second, coded.value, coded.one),
            len(coded.take_ids),
            order_effect=True,
        )
    except BadInput:
        return NOT_TOLD
    log_worth = fitted.log_worth
    return Worths(
        takes=dict(zip(coded.take_ids, log_worth.tolist(), strict=True)),
        conditions=tuple(
            float(log_worth[coded.labels == c].mean()) for c in range(int(coded.labels.max()) + 1)
        ),
        position_one=fitted.order_effect,
        tie=fitted.tie if e.contrast.ties else None,
    )
