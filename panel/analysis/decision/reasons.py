"""Why the verdict is what it is: the codes of its reasons, in order, with what each tells."""

from panel.analysis.counts import exact
from panel.analysis.decision.by_stratum import by_stratum
from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.judgement import Judgement
from panel.analysis.decision.withdrawn import Withdrawn
from panel.study.plan import Plan
from panel.study.verdict import Ranking, Remark


def reasons(
    plan: Plan, judged: Judgement, order: Ranking | None, gone: Withdrawn, *, whole: bool = True
) -> tuple[Remark, ...]:
    """The reasons of one contrast; `whole` as in verdict.conclude."""
    e, contrast = judged.evidence, judged.contrast
    out: list[Remark] = []
    if e.asked.n:
        told: dict[str, float | None] = {"p": judged.p_chance}
        if judged.p_chance_holm is not None and len(plan.questions) > 1:
            told["p_holm"] = judged.p_chance_holm
        out.append(Remark("chance", {**told}))
    if e.swapped:
        out.append(swapped(e))
    if contrast.role == "question":
        out += _of_the_change(plan, judged)
        if any(s.n for s in by_stratum(e)):
            out.append(Remark("by_group"))
    if contrast.role == "planted_check":
        return (*out, *([Remark("able")] if e.share_lower is not None else []))
    out += _of_absence(judged)
    if contrast.role == "question":
        out += _of_leanings(judged)
        out += _of_the_end(plan, e, whole=whole)
        if order is not None and order.listeners is not None:
            out.append(Remark("favourites"))
        if gone.answers:
            out.append(Remark("withdrew"))
    return tuple(out)


def swapped(found: Evidence) -> Remark:
    """Why votes far below chance give no share."""
    asked = found.asked
    return Remark("swapped", {"p": exact.p_less(asked.count or 0, asked.n, found.contrast.chance)})


def _of_absence(judged: Judgement) -> list[Remark]:
    """How many may hear it, and what stands in the way of “not heard”."""
    e, f, contrast = judged.evidence, judged.findings, judged.contrast
    out = []
    if not contrast.directed and e.share_upper is not None:
        out.append(Remark("at_most", {"under_limit": f.bounded}))
        if not f.beats_chance and not f.check_heard:
            out.append(Remark("no_check_heard"))
    own = contrast.of is None  # pairs within a question are no such trials by themselves
    if own and contrast.asked_by.no_absence and not f.beats_chance and e.asked.n:
        out.append(Remark("no_absence"))
    return out


def _of_the_change(plan: Plan, judged: Judgement) -> list[Remark]:
    e, f = judged.evidence, judged.findings
    if not e.asked.n:
        return []
    if f.barrier:
        return [Remark("barrier")]
    if not f.ready:
        return [Remark("tested_once")]
    if e.attribution is None or judged.p_claim_holm is None:
        return []
    established = e.attribution.p <= plan.alpha
    if not judged.contrast.asked_by.round_robin:
        return [Remark("over_takes", {"established": established})]
    out = [Remark("relabelled", {"established": established})]
    if len(plan.questions) > 1:
        out.append(Remark("both_together", {"holds": f.attributed}))
    within = e.within
    if within is not None and within.n and within.count is not None:
        out.append(Remark("retakes", {"beyond_chance": within.p <= plan.alpha}))
    return out


def _of_leanings(judged: Judgement) -> list[Remark]:
    out = []
    if judged.evidence.divided is not None and judged.divided_holm is not None:
        out.append(Remark("leanings", {"differ": judged.findings.divided}))
    if judged.findings.level:
        out.append(Remark("level"))
    return out


def _of_the_end(plan: Plan, found: Evidence, *, whole: bool) -> list[Remark]:
    if found.cast >= found.planned or not found.asked.n:
        return []
    if plan.anytime:
        return [Remark("votes_in")]
    return [Remark("ended_early" if whole else "cut_table")]
