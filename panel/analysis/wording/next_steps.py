"""What would change the verdict, with rough numbers at what was seen so far."""

import math

from panel.analysis.counts import exact, shares
from panel.analysis.decision.judgement import Judgement
from panel.analysis.wording.phrases import given_words, percent
from panel.prose import plural
from panel.study.plan import Contrast, Plan


def _takes_needed(plan: Plan, questions: int) -> int:
    side = 2
    while questions > plan.alpha * math.comb(2 * side, side) / 2 * (1 + 1e-12):
        side += 1
    return side


def _cells_needed(plan: Plan, contrast: Contrast) -> str:
    """Takes of each condition in each stratum that let labels within strata pass."""
    side, strata = 2, len(contrast.strata)

    def ways() -> int:
        each = math.comb(2 * side, side)
        return int(each**strata // 2 if contrast.directed else (each // 2) ** strata)

    while len(plan.questions) > plan.alpha * ways() * (1 + 1e-12):
        side += 1
    return (
        f"Record {side} takes of each condition in each of the {strata} groups alike in "
        f"{given_words(plan, contrast)}, in mixed order."
    )


def next_steps(plan: Plan, judged: Judgement) -> list[str]:
    """What would change the verdict, with rough numbers at what was seen so far."""
    contrast, f, e = judged.contrast, judged.findings, judged.evidence
    if contrast.role == "retake_control":
        return []
    if contrast.role == "planted_check":
        if judged.code == "heard":
            return []
        if f.beats_chance and e.asked.count == e.asked.n:
            return ["More listeners: so few can show no more, though they got all right."]
        return ["Plant a larger difference, or put the check more often to each listener."]
    out: list[str] = []
    if judged.code in ("heard", "preferred", "no_preference", "not_heard"):
        if judged.code == "preferred" and not judged.audible_elsewhere:
            out.append("Ask by ABX or triangle on the same takes whether a difference is heard.")
        return out
    if judged.code == "divided":
        return ["Ask by ABX or triangle on the same takes whether a difference is heard."]
    if f.barrier in ("one_take", "too_few_takes", "too_many_questions"):
        need = _takes_needed(plan, len(plan.questions))
        if contrast.given:
            out.append(_cells_needed(plan, contrast))
        else:
            out.append(f"Record {need} takes of each condition, in mixed order.")
        if f.barrier == "too_many_questions":
            out.append("Or ask fewer questions in the next plan.")
    elif f.barrier in ("override", "several_changes"):
        out.append("Record takes that differ in one thing only.")
    elif f.barrier == "unlogged":
        out.append("Log the missing factors for all takes, or record anew.")
    elif f.barrier == "answers_removed":
        out.append("Ask again in a sealed plan: there a withdrawal costs only its votes.")
    elif f.barrier == "no_retake_votes":
        out.append("Put pairs of takes of the same condition too.")
    if not f.ready:
        out.append(
            f"{plural(e.planned - e.cast, 'more vote')} until the change itself can be judged."
        )
    if judged.code == "rerecording_too":
        out.append("More takes of each condition, rather than more votes, would tell them apart.")
        return out
    if judged.code == "not_enough" and not f.beats_chance:
        out += _more_votes(plan, judged)
    if judged.code == "not_enough" and contrast.directed and not f.beats_chance:
        out.append("If bare audibility matters, ask by ABX or triangle on the same takes.")
    return out


def _more_votes(plan: Plan, judged: Judgement) -> list[str]:
    e, contrast, f = judged.evidence, judged.contrast, judged.findings
    asked = e.asked
    if not asked.n or asked.count is None:
        return []
    each = asked.n / max(1, asked.listeners)
    level = plan.alpha / len(plan.questions)
    out = []
    seen = asked.count / asked.n
    if contrast.directed:
        seen = max(seen, 1 - seen)
    need = exact.least_n(
        contrast.chance, seen, level, 0.8, two_sided=contrast.directed, most=20_000
    )
    if need is not None and need > asked.n:
        people = math.ceil(need / each)
        out.append(
            f"To beat chance, if the share stays at {percent(seen)}: about {need} comparisons "
            f"across the conditions, that is {plural(people, 'listener')} like these instead of "
            f"{asked.listeners} (four chances in five)."
        )
    if contrast.never_not_heard:
        out.append("To be able to say “not heard”, ask by ABX or triangle on the same takes.")
        return out
    if not contrast.directed and not f.bounded:
        people_needed = shares.listeners_for_limit(
            asked.scores, contrast.chance, plan.limit, plan.confidence, anytime=plan.anytime
        )
        if people_needed is not None and people_needed > asked.scores.size:
            out.append(
                f"To show that at most {percent(plan.limit)} hear it every time, if further "
                f"listeners answer alike: about {plural(people_needed, 'listener')}."
            )
    if not contrast.directed and not f.check_heard:
        out.append("A planted check that is heard, so that “not heard” can be said.")
    return out
