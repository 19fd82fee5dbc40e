"""The verdict of a study: a pure function of the plan, the votes and the listeners' table.

The same input gives the same document to the last digit, on the server and from an archive: Monte
Carlo streams are seeded by the plan's SHA-256, and numbers are rounded to six significant digits.
"""

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from panel.analysis import listeners_across, reliability, sizes
from panel.analysis.counts import anytime, anytime_difference, called_different
from panel.analysis.decision import left_out, withdrawn
from panel.analysis.decision.against_chance import Tally
from panel.analysis.decision.by_stratum import by_stratum
from panel.analysis.decision.coded import CodedVotes
from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.exclusion import apply
from panel.analysis.decision.judgement import Judgement, judge
from panel.analysis.dose import numbers as dose_numbers
from panel.analysis.preference import worths
from panel.analysis.sizes import Size
from panel.analysis.wording import next_steps, ranking, reasons, sentence
from panel.analysis.wording.methods import limits, methods
from panel.errors import BadInput
from panel.study.plan import Plan
from panel.study.plan_reading import read_plan
from panel.study.votes import ListenerTable, VoteTable
from panel.study.votes_check import check_against_plan

FORMAT = "fair-hearing-verdict/1"
DIGITS = 6


def conclude(
    plan: Mapping[str, Any],
    votes: VoteTable,
    listeners: ListenerTable,
    *,
    whole: bool = True,
) -> dict[str, Any]:
    """The contents of verdict.json.

    `plan`: the plan document as locked. `whole`: these are all votes that were cast; of a table
    from elsewhere nobody knows. Raises BadInput, with a sentence, if the plan cannot be
    read, or the tables contradict themselves or it.
    """
    read = read_plan(dict(plan))
    checked, everybody = check_against_plan(read, votes, listeners)
    gone, rows = withdrawn.found_in(everybody), withdrawn.present(everybody)
    exclusion = apply(read, checked, rows)
    cast = CodedVotes.of(read, checked)
    judged = judge(read, cast, everybody)
    without = judge(read, cast, everybody, exclude=False) if exclusion.excluded else judged
    sized = {
        id_: sizes.of_question(j.evidence, read.alpha, read.confidence)
        for id_, j in judged.items()
        if j.contrast.role == "question"
    }
    in_order = list(judged.values())
    document = {
        "format": FORMAT,
        "plan_sha256": read.sha256,
        "votes": len(checked),
        "listeners": len(checked.people),
        "excluded": {
            "listeners": list(exclusion.excluded),
            "rule": exclusion.rule,
            "changes_verdict": any(judged[i].code != without[i].code for i in judged),
            "verdicts_without": {i: without[i].code for i in judged},
        },
        "headline": sentence.headline(read, in_order),
        "contrasts": [
            _contrast(read, j, sized.get(id_), gone, whole=whole) for id_, j in judged.items()
        ],
        "reliability": reliability.per_listener(
            read, checked, rows, exclusion.excluded, {i: s.listeners for i, s in sized.items()}
        ),
        "left_out": left_out.told(
            left_out.leave_out(read, cast, everybody, judged),
            judged,
            sentence.CODE_WORDS,
            _take_labels(plan),
        ),
        "limits": limits(read, in_order, rows),
        "methods": methods(read, in_order, exclusion.rule),
    }
    across = listeners_across.of_questions(
        {id_: j.evidence for id_, j in judged.items()}, sized, read.alpha
    )
    if across:
        document["listeners_across"] = [vars(entry) for entry in across]
    of_those_gone = withdrawn.told(read, gone)
    if of_those_gone is not None:
        document["withdrawn"] = of_those_gone
    rounded: dict[str, Any] = plain(document)
    return rounded


def _take_labels(plan: Mapping[str, Any]) -> dict[str, str]:
    """Names of the takes as people know them; where two share one, the ids tell them apart."""
    named = [(str(t["id"]), str(t.get("label") or t["id"])) for t in plan.get("takes") or ()]
    labels = [label for _, label in named]
    return {id_: label if labels.count(label) == 1 else id_ for id_, label in named}


def plain(value: Any) -> Any:
    """Plain JSON values: floats to six significant digits, None for what is not finite."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return float(f"{value:.{DIGITS}g}") + 0.0
    return value


def _contrast(
    plan: Plan, judged: Judgement, size: Size | None, gone: withdrawn.Withdrawn, *, whole: bool
) -> dict[str, Any]:
    contrast, asked = judged.contrast, judged.evidence.asked
    numbers = _numbers(plan, judged, size)
    order = numbers.get("ranking")
    return {
        "id": contrast.id,
        "name": contrast.name,
        "role": contrast.role,
        "procedure": contrast.procedure,
        "verdict": judged.code,
        "sentence": sentence.sentence(plan, judged)
        + (f" {ranking.sentence(order, contrast.attribute)}" if order else ""),
        "reasons": reasons.reasons(plan, judged, whole=whole)
        + (ranking.reasons(order) if order else [])
        + (withdrawn.reasons(plan, gone) if contrast.role == "question" else []),
        "next": next_steps.next_steps(plan, judged),
        "correct": asked.count,
        "trials": asked.n,
        "numbers": numbers,
    }


def _share(tally: Tally | None) -> float | None:
    return None if tally is None else tally.share


def _numbers(plan: Plan, judged: Judgement, size: Size | None) -> dict[str, Any]:
    """Every number behind a contrast; None where none is warranted.

    `interval` is for the mean share over listeners and respects them; `p_heard` is the larger of
    the p values against chance and for attribution, `p_heard_holm` that over the questions, which
    `attribution.p_holm` repeats: it is what the decision looks at.
    """
    e, contrast = judged.evidence, judged.contrast
    out: dict[str, Any] = {
        "chance": contrast.chance,
        "share_right": _share(e.asked),
        "interval": e.interval,
        "p_chance": e.asked.p if e.asked.n else None,
        "p_chance_holm": judged.p_chance_holm if e.asked.n else None,
        "e_value": e.asked.e_value if e.asked.n else None,
        "p_anytime": e.asked.p_anytime if e.asked.n else None,
        "listeners": e.asked.listeners,
        "votes_cast": e.cast,
        "votes_planned": e.planned,
        "share_estimate": e.share_estimate,
        "share_upper": e.share_upper,
        "share_lower": e.share_lower,
    }
    if plan.anytime and e.asked.count is not None and e.asked.n:
        out["confidence_sequence"] = anytime.confidence_sequence(
            e.asked.count, e.asked.n, 1 - plan.confidence
        )
    if contrast.role != "question":
        return out
    out |= {
        "conditions": [
            {"label": c.label, "dose": c.dose, "takes": len(c.takes)} for c in contrast.conditions
        ],
        "within_right": None if e.within is None else e.within.count,
        "within_trials": 0 if e.within is None else e.within.n,
        "within_share": _share(e.within),
        "within_p": None if e.within is None or not e.within.n else e.within.p,
        "p_heard": judged.p_claim,
        "p_heard_holm": judged.p_claim_holm,
        "barrier": judged.findings.barrier,
        "attribution": _attribution(judged),
        "takes": _takes(e),
        "dprime": None if size is None else size.dprime,
        "dprime_of": None if size is None else size.of,
        "dprime_interval": None if size is None else size.interval,
        "listener_sd": None if size is None else size.listener_sd,
        "take_sd": None if size is None else size.take_sd,
        "excerpt_sd": None if size is None else size.excerpt_sd,
        "model_message": None if size is None else size.message,
    }
    if plan.anytime and not contrast.directed and e.rates is None:
        out["anytime_difference"] = _anytime_difference(e)
    if contrast.given:
        out["given"] = [plan.factor_names.get(f, f) for f in contrast.given]
        out["cells"] = [list(cell) for cell in contrast.cells]
        out["by_stratum"] = [
            {"label": s.label, "count": s.count, "votes": s.n} for s in by_stratum(e)
        ]
    if contrast.directed and not contrast.given:  # no vote links takes of two strata
        out["worths"] = _worths(e)
        order = ranking.numbers(plan, judged)
        if order is not None:
            out["ranking"] = order
    dose = dose_numbers.numbers(plan, judged)
    if dose is not None:
        out["dose_response"] = dose
    if e.rates is not None:
        out["rates"] = _rates(e)
    if contrast.ties:
        out["neither"] = e.asked.ties
    if contrast.procedure == "preference":
        d = e.divided
        out["divided"] = None if d is None else {
            "spread": d.spread,
            "p_listeners": d.p_listeners,
            "p_labels": d.labels.p,
            "p_holm": judged.divided_holm,
        }  # fmt: skip
    return out


def _rates(e: Evidence) -> dict[str, Any] | None:
    """Same–different: how often pairs of each kind were called different; τ by maximum likelihood.

    Each interval is at 1 − (1 − confidence)/2, so that both hold together at the plan's.
    """
    if e.rates is None:
        return None
    got = called_different.estimate(e.rates)
    r = e.rates
    return {
        "hits": r.hits,
        "different_trials": r.different,
        "hit_rate": r.hits / r.different if r.different else None,
        "hit_interval": r.hit_interval,
        "false_alarms": r.false_alarms,
        "same_trials": r.same,
        "false_alarm_rate": r.false_alarms / r.same if r.same else None,
        "false_alarm_interval": r.false_alarm_interval,
        "within_called_different": r.within,
        "within_different_trials": r.within_pairs,
        "tau": None if got is None else got.tau,
    }


def _anytime_difference(e: Evidence) -> dict[str, Any] | None:
    """Question against retakes at any look; None until a block of both is there."""
    if e.coded is None:
        return None
    coded = e.coded
    found = anytime_difference.compare(
        zip(coded.listener.tolist(), coded.across.tolist(), coded.y.tolist(), strict=True)
    )
    return asdict(found) if found.blocks else None


def _attribution(judged: Judgement) -> dict[str, Any]:
    a = judged.evidence.attribution
    return {
        "statistic": None if a is None else a.statistic,
        "p": None if a is None else a.p,
        "p_holm": None if a is None else judged.p_claim_holm,
        "least_p": judged.least_p,
        "labelings": None if a is None else a.labelings,
        "exact": None if a is None else a.exact,
    }


def _takes(e: Evidence) -> list[dict[str, Any]]:
    """Votes on each take: undirected, pairs with it told apart; directed, pairs that it won."""
    if e.coded is None:
        return []
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
        out.append({"take": take, "count": int(good.sum()), "trials": int(here.sum())})
    return out


def _worths(e: Evidence) -> dict[str, Any] | None:
    """Log worths of the takes (mean 0) and of the conditions, and the log odds of position one.

    None where a take only ever wins or loses. They have no interval: votes of one listener are
    not independent; the test is the permutation of labels.
    """
    if e.coded is None or e.coded.y.size == 0:
        return None
    coded = e.coded
    try:
        fitted = worths.fit(
            *worths.as_presented(coded.first, coded.second, coded.value, coded.one),
            len(coded.take_ids),
            order_effect=True,
        )
    except BadInput:
        return None
    log_worth = fitted.log_worth
    conditions = [
        float(log_worth[coded.labels == c].mean()) for c in range(int(coded.labels.max()) + 1)
    ]
    return {
        "takes": dict(zip(coded.take_ids, log_worth.tolist(), strict=True)),
        "conditions": conditions,
        "position_one": fitted.order_effect,
        **({"tie": fitted.tie} if e.contrast.ties else {}),
    }
