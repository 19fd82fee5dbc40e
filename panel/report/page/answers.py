"""What a reader asks of each question of the study, answered in plain words from its numbers.

Nothing here is a claim of its own: every answer follows the verdict's code and repeats numbers
that `number_lines` also gives.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from panel.prose import (
    about,
    chance_of,
    count,
    listed,
    p_value,
    percent,
    percent_down,
    percent_up,
    plural,
)
from panel.report.figures.outcome import ordered
from panel.study.plan import Contrast, Plan
from panel.study.verdict import Attribution, ContrastVerdict, Numbers, Verdict

BETTER = "That it sounds better: this question did not ask that."
FEW_EXCERPTS = 6  # below that the limits say so too: panel.analysis.wording.methods


@dataclass(frozen=True)
class Answer:
    """A reader's question and the sentences that answer it."""

    asked: str
    lines: tuple[str, ...]


def in_short(contrast: Contrast, entry: ContrastVerdict) -> str:
    """Votes, what guessing gives, and how many people: one or two sentences, number first."""
    numbers, trials = entry.numbers, entry.trials
    if not trials:
        return "No votes count."
    if entry.correct is None:
        return f"{plural(trials, 'blind comparison')}."
    if contrast.directed:
        return _leaning(contrast, entry)
    votes = (
        f"{percent(entry.correct / trials)} of answers right ({count(entry.correct)} of "
        f"{count(trials)}); guessing gives {percent(numbers.chance)}."
    )
    people = _people(numbers)
    return f"{votes} {people}." if people else votes


def answers(
    plan: Plan,
    contrast: Contrast,
    entry: ContrastVerdict,
    verdict: Verdict,
    next_steps: Sequence[str],
) -> tuple[Answer, ...]:
    """How many, only another recording, how sure, what would help, what not to claim.

    `next_steps`: what would change the verdict, in sentences.
    """
    if not entry.trials:
        return ()
    asked = (
        (contrast.asked_by.how_many, _how_many(plan, contrast, entry)),
        ("Could it be just another recording?", _another_recording(contrast, entry)),
        ("How sure is this?", _how_sure(plan, entry, verdict)),
        ("What would make it surer?", next_steps or _surer(plan)),
        ("What must not be claimed?", [*_not_to_claim(contrast, entry), *_not_each(contrast)]),
    )
    return tuple(Answer(question, tuple(lines)) for question, lines in asked if lines)


def _side(contrast: Contrast, entry: ContrastVerdict) -> tuple[str, int, float]:
    """The side that most votes went to: its name, its votes and its share."""
    conditions = ordered(contrast)
    low, high = (
        (f"“{conditions[0].label}”", f"“{conditions[-1].label}”")
        if len(conditions) == 2
        else ("the lower one", "the higher one")
    )
    right, trials = entry.correct or 0, entry.trials
    share = right / trials if trials else 0.0
    if 2 * right >= trials:
        return high, right, share
    return low, trials - right, 1 - share


def _leaning(contrast: Contrast, entry: ContrastVerdict) -> str:
    side, votes, share = _side(contrast, entry)
    of = f"{count(votes)} of {count(entry.trials)}"
    what = contrast.asked_by.toward.format(side=side, attribute=contrast.attribute)
    if entry.ties:  # they count half in the share, so share and count would not agree
        return f"{of} votes {what}; a coin gives half. {count(entry.ties)} more preferred neither."
    return f"{percent(share)} of answers {what} ({of}); a coin gives {percent(0.5)}."


def _people(numbers: Numbers) -> str:
    low, high = numbers.share_lower, numbers.share_upper
    if high is None:
        return ""
    if percent_up(high) == percent_up(1.0) and percent_down(low or 0.0) == percent_down(0.0):
        return "How many listeners like these hear it cannot be told from so few"
    if low is None or percent_down(low) == percent_down(0.0):
        return f"At most {percent_up(high)} of listeners like these can hear it every time"
    return (
        f"At least {percent_down(low)} of listeners like these can hear it, at most "
        f"{percent_up(high)} every time"
    )


def _how_many(plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> list[str]:
    numbers = entry.numbers
    if contrast.directed:
        return [contrast.asked_by.no_people]
    people = _people(numbers)
    if not people:
        return ["These votes do not tell."]
    estimate = numbers.share_estimate
    best = f"; best estimate {percent(estimate)}" if estimate is not None else ""
    sure = percent(plan.confidence)
    return [
        f"{people}{best}. Each limit is meant to hold in {sure} of studies made this way.",
        "The limits count everybody as somebody who always hears it or only guesses. Of people "
        "who hear it now and then there can be more; it may be everybody.",
        *_with_retakes(plan, numbers),
    ]


def _with_retakes(plan: Plan, numbers: Numbers) -> list[str]:
    """Where re-recording alone is heard, the shares hold it too."""
    p = numbers.question.within_p if numbers.question else None
    if p is None or p > plan.alpha:
        return []
    return [
        "These shares include what re-recording alone does: how many hear the change itself is "
        "not known."
    ]


OTHERWISE = {
    "rerecording_too": "Yes, it could. No more was shown than re-recording can do.",
    "recordings_differ": "It could. The change is not shown to be the reason.",
}


def _another_recording(contrast: Contrast, entry: ContrastVerdict) -> list[str]:
    code, lines = entry.verdict, _retakes(entry)
    if entry.numbers.barrier:
        return [*lines, "That cannot be told here. “Step by step” below says why."]
    if code in OTHERWISE:
        return [*lines, OTHERWISE[code]]
    if code == "divided":
        return ["The split is wider than chance and single recordings explain."]
    if not entry.claimed:
        return [*lines, "No difference is claimed here, so there is none to explain."]
    question = entry.numbers.question
    if question is not None and question.attribution.p is not None:
        lines.append(_relabelled(contrast, question.attribution, question.attribution.p))
    lines.append(
        "So the plan's rule puts it down to the change. Anything that changed along with it and "
        "was not logged would look the same."
    )
    return lines


def _retakes(entry: ContrastVerdict) -> list[str]:
    found = entry.numbers.question
    if found is None or found.within_right is None or not found.within_trials or found.rates:
        return []
    return [
        "Two recordings of the very same thing were told apart in "
        f"{count(found.within_right)} of {count(found.within_trials)}; guessing gives about "
        f"{about(found.within_trials * entry.numbers.chance)}."
    ]


def _relabelled(contrast: Contrast, found: Attribution, p: float) -> str:
    ways = found.labelings
    if not ways:
        return f"Over the recordings, each left out in turn, it holds too (p {p_value(p)})."
    group = " of each group" if contrast.given else ""
    start = f"Suppose the names of the conditions were put on the recordings{group} in other ways:"
    shown = "as much beyond re-recording"
    if contrast.is_dose:
        shown = "as clear a trend"
    elif contrast.directed:
        shown = "as wide a lead"
    if found.exact:
        return (
            f"{start} {round(p * ways):,} of all {ways:,} ways, the true one among them, would "
            f"show {shown} (p {p_value(p)})."
        )
    return f"{start} {chance_of(p)} would show {shown} (p {p_value(p)})."


def _how_sure(plan: Plan, entry: ContrastVerdict, verdict: Verdict) -> list[str]:
    code = entry.verdict
    p = entry.numbers.question.p_heard_holm if entry.numbers.question else None
    if entry.claimed and p is not None:
        questions = len(plan.questions)
        over = f", allowing for {questions} questions" if questions > 1 else ""
        return [
            f"p {p_value(p)}{over}; the plan asked for {plan.alpha:g} or less. This is not the "
            "chance that the verdict is wrong."
        ]
    if code == "not_heard":
        return [
            *_checks(verdict),
            f"“Not heard” may be said only if at most {percent(plan.limit)} hear it every "
            "time. The plan fixed that limit before the first vote.",
        ]
    if code in OTHERWISE:
        return [
            "That these recordings were told apart passes the plan's rule. That the change is the "
            "reason does not."
        ]
    if code == "not_enough":
        return ["Not sure enough for the rule that was fixed before the first vote."]
    return ["It passes the rule that was fixed before the first vote."]


def _checks(verdict: Verdict) -> list[str]:
    return [
        f"The panel was able to hear a difference: {count(e.correct)} of {count(e.trials)} "
        "planted ones, put in to check that, were answered right. That does not show that it would "
        "hear a smaller one."
        for e in verdict.contrasts
        if e.role == "planted_check" and e.verdict == "heard"
    ]


def _surer(plan: Plan) -> list[str]:
    out = ["The same again, with fresh recordings and other listeners."]
    excerpts = len(plan.excerpts)
    if excerpts < FEW_EXCERPTS:
        out.append(f"More music: only {plural(excerpts, 'excerpt')} {_were(excerpts)} played.")
    return out


def _were(n: int) -> str:
    return "was" if n == 1 else "were"


def _not_each(contrast: Contrast) -> list[str]:
    """One answer over several groups is none for each; nothing where no factor is given."""
    if not contrast.given:
        return []
    groups = listed(contrast.strata_labels)
    return [f"That this holds for each group by itself: it is one answer over {groups} together."]


def _not_each_pair(contrast: Contrast) -> list[str]:
    """A limit over all distances of a dose is none for the widest."""
    if not contrast.is_dose or len(contrast.conditions) < 3:
        return []
    labels = [f"“{c.label}”" for c in ordered(contrast)]
    return [
        f"That this limit holds for {labels[-1]} against {labels[0]} alone: it is one for all "
        "pairs together, near ones included."
    ]


NOT_TO_CLAIM = {
    "rerecording_too": "That the change is what was heard.",
    "recordings_differ": "That the change is what was heard.",
    "no_preference": "That nobody prefers either. That they sound the same.",
    "divided": "That either is preferred by all.",
}


def _not_to_claim(contrast: Contrast, entry: ContrastVerdict) -> list[str]:
    code = entry.verdict
    if code == "heard" and contrast.directed:
        return [BETTER, "Any number of people who hear it: votes were counted."]
    if code == "heard":
        return [
            "That everybody always hears it. How many hear it some of the time is not known.",
            BETTER,
        ]
    if code == "preferred":
        return [
            f"That everybody prefers it{_against(contrast, entry)}.",
            "Any number of people who prefer it: votes were counted.",
        ]
    if code == "not_heard":
        return [
            "That nobody can hear it, or that nothing changed: up to "
            f"{percent_up(entry.numbers.share_upper)} of listeners like these may hear it every "
            "time, and more of them now and then.",
            *_not_each_pair(contrast),
        ]
    if code in NOT_TO_CLAIM:
        return [NOT_TO_CLAIM[code]]
    asked = contrast.asked_by
    return [(entry.numbers.barrier and asked.no_claim_of_change) or asked.no_claim]


def _against(contrast: Contrast, entry: ContrastVerdict) -> str:
    if entry.correct is None or not entry.trials:
        return ""
    votes = entry.trials - _side(contrast, entry)[1]
    return f": {count(votes)} of {count(entry.trials)} votes went the other way"
