"""The verdict in plain English, number first."""

from collections.abc import Sequence

from panel.analysis.decision.judgement import Judgement
from panel.analysis.wording.phrases import (
    barrier_sentence,
    direction,
    factor_words,
    given_sentence,
    percent,
    told_apart,
    what_was_found,
    within_words,
)
from panel.prose import capital, listed, plural
from panel.study.plan import Plan

CODE_WORDS = {
    "heard": "heard",
    "not_heard": "not heard",
    "rerecording_too": "heard, but not shown to be more than re-recording",
    "recordings_differ": "these recordings differ",
    "not_enough": "not enough yet",
    "preferred": "preferred",
    "no_preference": "no preference",
    "divided": "listeners are divided",
}


def _two_recordings(judged: Judgement) -> str:
    if judged.findings.barrier == "one_take":
        return " This is a statement about these recordings, one take of a condition."
    if judged.findings.barrier:
        return " This is a statement about these recordings."
    return ""


def sentence(plan: Plan, judged: Judgement) -> str:
    """The verdict of one contrast in one or two sentences."""
    role = judged.contrast.role
    if judged.evidence.asked.n + judged.evidence.asked.ties == 0:
        return "Not enough yet. No votes count for this contrast."
    if role == "planted_check":
        return _check_sentence(judged, plan.limit)
    if role == "retake_control":
        return _control_sentence(plan, judged)
    if judged.contrast.procedure == "preference":
        return _preference_sentence(plan, judged) + given_sentence(plan, judged.contrast)
    return _question_sentence(plan, judged) + given_sentence(plan, judged.contrast)


def _check_sentence(judged: Judgement, limit: float) -> str:
    asked = judged.evidence.asked
    right = f"{asked.count} of {asked.n} planted differences were answered right"
    lower = judged.evidence.share_lower
    if judged.code == "heard":
        return f"Heard. {right}: this panel, on its equipment, was able to hear a difference."
    if judged.findings.beats_chance and lower is not None:
        return (
            f"Not enough. {right}, but from {plural(asked.listeners, 'listener')} that shows only "
            f"that at least {percent(lower, down=True)} of such listeners hear it; the plan asks "
            f"for more than {percent(limit)}."
        )
    return f"Not enough. {right}: it is not shown that this panel was able to hear a difference."


def _control_sentence(plan: Plan, judged: Judgement) -> str:
    asked = judged.evidence.asked
    if judged.contrast.directed:
        told = f"{asked.n} blind comparisons of two takes of the same condition"
        if judged.code == "heard":
            return f"Heard. In {told}, listeners agree on some takes more than coins would."
        return f"Not enough. In {told}, listeners agree on takes no more than coins would."
    told = f"Two takes of the same condition were {told_apart(judged)}"
    if judged.code == "heard":
        return f"Heard. {told}: re-recording alone can be heard."
    if judged.code == "not_heard":
        most = percent(judged.evidence.share_upper or 0.0, up=True)
        return (
            f"Not heard; at most {most} of such listeners hear re-recording alone every time. "
            f"{told}."
        )
    return f"Not enough yet. {told}."


def _question_sentence(plan: Plan, judged: Judgement) -> str:
    contrast, found = judged.contrast, what_was_found(plan, judged)
    if judged.code == "heard":
        trend = (
            f", the more so the further apart in {factor_words(plan, contrast)}"
            if contrast.is_dose
            else ""
        )
        if contrast.directed:
            return f"Heard. {capital(found)}."
        retakes = within_words(judged)
        return f"Heard{trend}. {capital(told_apart(judged))}{'; ' + retakes if retakes else ''}."
    if judged.code == "not_heard":
        most = percent(judged.evidence.share_upper or 0.0, up=True)
        return (
            f"Not heard; at most {most} of such listeners can hear it every time. {capital(found)}."
            f"{_all_pairs(plan, judged)}{_two_recordings(judged)}"
        )
    if judged.code == "rerecording_too":
        retakes = within_words(judged)
        return (
            f"Heard, but not shown to be more than re-recording. {capital(found)}"
            f"{'; ' + retakes if retakes else ''}. Nothing is claimed about the change."
        )
    if judged.code == "recordings_differ":
        return f"These recordings differ. {capital(found)}. {barrier_sentence(plan, judged)}"
    if contrast.directed:
        return f"Not enough yet: no agreed direction. {capital(found)}{_share_range(judged)}."
    return f"Not enough yet. {capital(found)}."


def _all_pairs(plan: Plan, judged: Judgement) -> str:
    """Of a dose: the bound is one for all distances."""
    if not judged.contrast.is_dose or len(judged.contrast.conditions) < 3:
        return ""
    name = plan.factor_names.get(judged.contrast.factor or "", "the dose")
    return f" This is over all pairs of values of {name}, near and far together."


def _share_range(judged: Judgement) -> str:
    if judged.evidence.interval is None or judged.evidence.asked.count is None:
        return ""
    low, high = judged.evidence.interval
    if 2 * judged.evidence.asked.count < judged.evidence.asked.n:
        low, high = 1 - high, 1 - low
    return (
        f"; over listeners the share lies between {percent(low, down=True)} and "
        f"{percent(high, up=True)}"
    )


def _preference_sentence(plan: Plan, judged: Judgement) -> str:
    found = capital(direction(plan, judged))
    if judged.code == "preferred":
        alone = "" if judged.audible_elsewhere else (
            " This is a preference without demonstrated audibility: no question of this study "
            "shows by itself that the conditions are told apart."
        )  # fmt: skip
        return f"Preferred. {found}.{alone}"
    if judged.code == "divided" and judged.evidence.asked.count is None:
        return (
            f"Listeners are divided. In {direction(plan, judged)}, listeners differ from one "
            "another in what they prefer, more than chance and the takes explain."
        )
    if judged.code == "divided":
        return (
            f"Listeners are divided. {found}, and listeners differ from one another more than "
            "chance and the takes explain: they do not all lean alike."
        )
    if judged.code == "no_preference":
        return f"No preference. {found}{_share_range(judged)}.{_two_recordings(judged)}"
    if judged.findings.beats_chance and judged.findings.barrier:
        return (
            f"Not enough to claim a preference for the change. {found}: in these recordings one "
            f"side is preferred. {barrier_sentence(plan, judged)}"
        )
    return f"Not enough yet. {found}{_share_range(judged)}."


def headline(plan: Plan, judged: Sequence[Judgement]) -> str:
    """The study in one line."""
    questions = [j for j in judged if j.contrast.role == "question"]
    if not questions:
        return "This study names no question; its controls are reported below."
    if len(questions) == 1:
        return sentence(plan, questions[0])
    groups: dict[str, list[str]] = {}
    for j in questions:
        groups.setdefault(CODE_WORDS[j.code], []).append(j.contrast.name)
    return " ".join(f"{capital(words)}: {listed(names)}." for words, names in groups.items())
