"""What would change the verdict: the codes of steps, with rough numbers at what was seen so far."""

import math

from panel.analysis.counts import exact, shares
from panel.analysis.decision.judgement import Judgement
from panel.study.plan import Contrast, Plan
from panel.study.verdict import Remark

ASK_AUDIBILITY = Remark("ask_audibility")
OF_BARRIER = {
    "override": Remark("differ_in_one"),
    "several_changes": Remark("differ_in_one"),
    "unlogged": Remark("log_factors"),
    "answers_removed": Remark("ask_sealed"),
    "no_retake_votes": Remark("put_retakes"),
}


def next_steps(plan: Plan, judged: Judgement) -> tuple[Remark, ...]:
    """What would change the verdict of one contrast."""
    if judged.contrast.role == "retake_control":
        return ()
    if judged.contrast.role == "planted_check":
        return _of_check(judged)
    if judged.code in ("heard", "preferred", "no_preference", "not_heard"):
        unheard = judged.code == "preferred" and not judged.audible_elsewhere
        return (ASK_AUDIBILITY,) if unheard else ()
    if judged.code == "divided":
        return (ASK_AUDIBILITY,)
    return tuple(_of_question(plan, judged))


def _of_check(judged: Judgement) -> tuple[Remark, ...]:
    asked = judged.evidence.asked
    if judged.code == "heard":
        return ()
    if judged.findings.beats_chance and asked.count == asked.n:
        return (Remark("more_listeners"),)
    return (Remark("larger_plant"),)


def _of_question(plan: Plan, judged: Judgement) -> list[Remark]:
    contrast, f, e = judged.contrast, judged.findings, judged.evidence
    out = _of_barrier(plan, contrast, f.barrier)
    if not f.ready:
        out.append(Remark("more_votes", {"votes": e.planned - e.cast}))
    if judged.code == "rerecording_too":
        return [*out, Remark("more_takes")]
    if judged.code == "not_enough" and not f.beats_chance:
        out += _more_votes(plan, judged)
        if contrast.directed:
            out.append(Remark("bare_audibility"))
    return out


def _of_barrier(plan: Plan, contrast: Contrast, barrier: str | None) -> list[Remark]:
    if barrier in OF_BARRIER:
        return [OF_BARRIER[barrier]]
    if barrier not in ("one_take", "too_few_takes", "too_many_questions"):
        return []
    record = _cells_needed(plan, contrast) if contrast.given else _takes_needed(plan)
    fewer = [Remark("fewer_questions")] if barrier == "too_many_questions" else []
    return [record, *fewer]


def _takes_needed(plan: Plan) -> Remark:
    side = 2
    while len(plan.questions) > plan.alpha * math.comb(2 * side, side) / 2 * (1 + 1e-12):
        side += 1
    return Remark("record_takes", {"takes": side})


def _cells_needed(plan: Plan, contrast: Contrast) -> Remark:
    """Takes of each condition in each stratum that let labels within strata pass."""
    side, strata = 2, len(contrast.strata)

    def ways() -> int:
        each = math.comb(2 * side, side)
        return int(each**strata // 2 if contrast.directed else (each // 2) ** strata)

    while len(plan.questions) > plan.alpha * ways() * (1 + 1e-12):
        side += 1
    return Remark("record_cells", {"takes": side, "strata": strata})


def _more_votes(plan: Plan, judged: Judgement) -> list[Remark]:
    e, contrast, f = judged.evidence, judged.contrast, judged.findings
    asked = e.asked
    if not asked.n or asked.count is None:
        return []
    out = []
    seen = asked.count / asked.n
    if contrast.directed:
        seen = max(seen, 1 - seen)
    level = plan.alpha / len(plan.questions)
    need = exact.least_n(
        contrast.chance, seen, level, 0.8, two_sided=contrast.directed, most=20_000
    )
    if need is not None and need > asked.n:
        people = math.ceil(need / (asked.n / max(1, asked.listeners)))
        told: dict[str, float | int] = {"share": seen, "comparisons": need, "listeners": people}
        out.append(Remark("beat_chance", {**told}))
    if contrast.never_not_heard:
        return [*out, Remark("ask_for_absence")]
    if not contrast.directed and not f.bounded:
        people_needed = shares.listeners_for_limit(
            asked.scores, contrast.chance, plan.limit, plan.confidence, anytime=plan.anytime
        )
        if people_needed is not None and people_needed > asked.scores.size:
            out.append(Remark("bound_share", {"listeners": people_needed}))
    if not contrast.directed and not f.check_heard:
        out.append(Remark("check_heard"))
    return out
