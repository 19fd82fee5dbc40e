"""What a reader asks of each question of the study, answered in plain words from its numbers.

Nothing here is a claim of its own: every answer follows the verdict's code and repeats numbers
that `number_lines` also gives.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from panel.prose import (
    Language,
    about,
    chance_of,
    count,
    listed,
    p_value,
    percent,
    percent_down,
    percent_up,
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


def in_short(say: Language, contrast: Contrast, entry: ContrastVerdict) -> str:
    """Votes, what guessing gives, and how many people: one or two sentences, number first."""
    numbers, trials = entry.numbers, entry.trials
    if not trials:
        return say("No votes count.")
    if entry.correct is None:
        return say.count(trials, "{n} blind comparison.", "{n} blind comparisons.")
    if contrast.directed:
        return _leaning(say, contrast, entry)
    votes = say(
        "{share} of answers right ({right} of {trials}); guessing gives {chance}.",
        share=percent(entry.correct / trials, say=say),
        right=count(entry.correct, say),
        trials=count(trials, say),
        chance=percent(numbers.chance, say=say),
    )
    people = _people(say, numbers)
    return f"{votes} {people}." if people else votes


def answers(
    say: Language,
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
    no_claim = [*_not_to_claim(say, contrast, entry), *_not_each(say, contrast)]
    asked = (
        (say(contrast.asked_by.how_many), _how_many(say, plan, contrast, entry)),
        (
            say("Could it be just another recording?"),
            _another_recording(say, plan, contrast, entry),
        ),
        (say("How sure is this?"), _how_sure(say, plan, entry, verdict)),
        (say("What would make it surer?"), next_steps or _surer(say, plan)),
        (say("What must not be claimed?"), no_claim),
    )
    return tuple(Answer(question, tuple(lines)) for question, lines in asked if lines)


def _side(say: Language, contrast: Contrast, entry: ContrastVerdict) -> tuple[str, int, float]:
    """The side that most votes went to: its name, its votes and its share."""
    conditions = ordered(contrast)
    low, high = (
        (f"“{conditions[0].label}”", f"“{conditions[-1].label}”")
        if len(conditions) == 2
        else (say("the lower one"), say("the higher one"))
    )
    right, trials = entry.correct or 0, entry.trials
    share = right / trials if trials else 0.0
    if 2 * right >= trials:
        return high, right, share
    return low, trials - right, 1 - share


def _leaning(say: Language, contrast: Contrast, entry: ContrastVerdict) -> str:
    side, votes, share = _side(say, contrast, entry)
    of = {"votes": count(votes, say), "trials": count(entry.trials, say)}
    what = say(contrast.asked_by.toward, side=side, attribute=contrast.attribute)
    if entry.ties:  # they count half in the share, so share and count would not agree
        return say(
            "{votes} of {trials} votes {what}; a coin gives half. {ties} more preferred neither.",
            **of,
            what=what,
            ties=count(entry.ties, say),
        )
    return say(
        "{share} of answers {what} ({votes} of {trials}); a coin gives {half}.",
        **of,
        share=percent(share, say=say),
        what=what,
        half=percent(0.5, say=say),
    )


def _people(say: Language, numbers: Numbers) -> str:
    low, high = numbers.share_lower, numbers.share_upper
    if high is None:
        return ""
    if percent_up(high) == percent_up(1.0) and percent_down(low or 0.0) == percent_down(0.0):
        return say("How many listeners like these hear it cannot be told from so few")
    most = percent_up(high)
    if low is None or percent_down(low) == percent_down(0.0):
        return say("At most {most} of listeners like these can hear it every time", most=most)
    return say(
        "At least {least} of listeners like these can hear it, at most {most} every time",
        least=percent_down(low),
        most=most,
    )


def _how_many(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> list[str]:
    numbers = entry.numbers
    if contrast.directed:
        return [say(contrast.asked_by.no_people)]
    people = _people(say, numbers)
    if not people:
        return [say("These votes do not tell.")]
    estimate = numbers.share_estimate
    text = (
        "{people}. Each limit is meant to hold in {sure} of studies made this way."
        if estimate is None
        else (
            "{people}; best estimate {best}. Each limit is meant to hold in {sure} of studies made "
            "this way."
        )
    )
    best, sure = percent(estimate, say=say), percent(plan.confidence, say=say)
    return [
        say(text, people=people, best=best, sure=sure),
        say(
            "The limits count everybody as somebody who always hears it or only guesses. Of people "
            "who hear it now and then there can be more; it may be everybody."
        ),
        *_with_retakes(say, plan, numbers),
    ]


def _with_retakes(say: Language, plan: Plan, numbers: Numbers) -> list[str]:
    """Where two takes of one condition are told apart, the shares hold that too."""
    p = numbers.question.within_p if numbers.question else None
    if p is None or p > plan.alpha:
        return []
    return [
        say(
            "These shares include what two takes of one condition do by themselves: how many hear "
            "the change itself is not known."
        )
    ]


OTHERWISE = {
    "rerecording_too": "Yes, it could. No more was shown than re-recording can do.",
    "recordings_differ": "It could. The change is not shown to be the reason.",
}


OF_A_KIND = "Yes, it could. No more was shown than two of one kind differ."


def _another_recording(
    say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict
) -> list[str]:
    alike = plan.sampling[contrast.id].one_each
    code, lines = entry.verdict, _retakes(say, entry, one_thing=alike)
    if entry.numbers.barrier:
        return [*lines, say("That cannot be told here. “Step by step” below says why.")]
    if code in OTHERWISE:
        return [*lines, say(OTHERWISE[code] if alike or code != "rerecording_too" else OF_A_KIND)]
    if code == "divided":
        return [say("The split is wider than chance and single recordings explain.")]
    if not entry.claimed:
        return [*lines, say("No difference is claimed here, so there is none to explain.")]
    question = entry.numbers.question
    if question is not None and question.attribution.p is not None:
        lines.append(_relabelled(say, contrast, question.attribution))
        lines += _over_people(say, question.attribution)
    lines.append(
        say(
            "So the plan's rule puts it down to the change. Anything that changed along with it "
            "and was not logged would look the same."
        )
    )
    return lines


def _retakes(say: Language, entry: ContrastVerdict, *, one_thing: bool) -> list[str]:
    found = entry.numbers.question
    if found is None or found.within_right is None or not found.within_trials or found.rates:
        return []
    text = (
        "Two recordings of the very same thing were told apart in {right} of {trials}; guessing "
        "gives about {guess}."
        if one_thing
        else "Two takes of one condition were told apart in {right} of {trials}; guessing gives "
        "about {guess}."
    )
    return [
        say(
            text,
            right=count(found.within_right, say),
            trials=count(found.within_trials, say),
            guess=about(found.within_trials * entry.numbers.chance),
        )
    ]


AS_MUCH = {
    # trend, lead, or neither: (of all ways, of a draw of them)
    "trend": (
        "{start} {as_much} of all {ways} ways, the true one among them, would show as clear a "
        "trend (p {p}).",
        "{start} {chance} would show as clear a trend (p {p}).",
    ),
    "lead": (
        "{start} {as_much} of all {ways} ways, the true one among them, would show as wide a "
        "lead (p {p}).",
        "{start} {chance} would show as wide a lead (p {p}).",
    ),
    "excess": (
        "{start} {as_much} of all {ways} ways, the true one among them, would show as much "
        "beyond re-recording (p {p}).",
        "{start} {chance} would show as much beyond re-recording (p {p}).",
    ),
}


def _over_people(say: Language, found: Attribution) -> list[str]:
    """A direction speaks of people: whether it holds for others like them."""
    if found.p_listeners is None or found.p_both is None:
        return []
    return [
        say(
            "Listeners are a sample too: over them it is p {listeners}, over recordings and "
            "listeners at once p {both}. The claim rests on the largest of the three.",
            listeners=p_value(found.p_listeners, say),
            both=p_value(found.p_both, say),
        )
    ]


def _relabelled(say: Language, contrast: Contrast, found: Attribution) -> str:
    ways = found.labelings
    p = 1.0 if found.p_units is None else found.p_units
    if not ways:
        text = "Over the recordings, each left out in turn, it holds too (p {p})."
        return say(text, p=p_value(p, say))
    start = (
        ("Suppose the names of the conditions were put on the recordings of each group in other "
           "ways:")
        if contrast.given
        else "Suppose the names of the conditions were put on the recordings in other ways:"
    )  # fmt: skip
    shown = "trend" if contrast.is_dose else "lead" if contrast.directed else "excess"
    return say(
        AS_MUCH[shown][0 if found.exact else 1],
        start=say(start),
        as_much=f"{round(p * ways):,}",
        ways=f"{ways:,}",
        chance=chance_of(p, say),
        p=p_value(p, say),
    )


def _how_sure(say: Language, plan: Plan, entry: ContrastVerdict, verdict: Verdict) -> list[str]:
    code = entry.verdict
    p = entry.numbers.question.p_heard_holm if entry.numbers.question else None
    if entry.claimed and p is not None:
        return [_p_reached(say, plan, p)]
    if code == "not_heard":
        return [
            *_checks(say, verdict),
            say(
                "“Not heard” may be said only if at most {limit} hear it every time. The plan "
                "fixed that limit before the first vote.",
                limit=percent(plan.limit, say=say),
            ),
        ]
    if code in OTHERWISE:
        return [
            say(
                "That these recordings were told apart passes the plan's rule. That the change is "
                "the reason does not."
            )
        ]
    if code == "not_enough":
        return [say("Not sure enough for the rule that was fixed before the first vote.")]
    return [say("It passes the rule that was fixed before the first vote.")]


def _p_reached(say: Language, plan: Plan, p: float) -> str:
    questions = len(plan.questions)
    text = (
        ("p {p}, allowing for {questions} questions; the plan asked for {alpha} or less. This is "
           "not the chance that the verdict is wrong.")
        if questions > 1
        else ("p {p}; the plan asked for {alpha} or less. This is not the chance that the "
                "verdict is wrong.")
    )  # fmt: skip
    return say(text, p=p_value(p, say), questions=questions, alpha=f"{plan.alpha:g}")


def _checks(say: Language, verdict: Verdict) -> list[str]:
    return [
        say(
            "The panel was able to hear a difference: {right} of {trials} planted ones, put in to "
            "check that, were answered right. That does not show that it would hear a smaller one.",
            right=count(e.correct, say),
            trials=count(e.trials, say),
        )
        for e in verdict.contrasts
        if e.role == "planted_check" and e.verdict == "heard"
    ]


def _surer(say: Language, plan: Plan) -> list[str]:
    out = [say("The same again, with fresh recordings and other listeners.")]
    excerpts = len(plan.excerpts)
    if excerpts < FEW_EXCERPTS:
        out.append(
            say.count(
                excerpts,
                "More music: only {n} excerpt was played.",
                "More music: only {n} excerpts were played.",
            )
        )
    return out


def _not_each(say: Language, contrast: Contrast) -> list[str]:
    """One answer over several groups is none for each; nothing where no factor is given."""
    if not contrast.given:
        return []
    return [
        say(
            "That this holds for each group by itself: it is one answer over {groups} together.",
            groups=listed(contrast.strata_labels, say),
        )
    ]


def _not_each_pair(say: Language, contrast: Contrast) -> list[str]:
    """A limit over all distances of a dose is none for the widest."""
    if not contrast.is_dose or len(contrast.conditions) < 3:
        return []
    conditions = ordered(contrast)
    return [
        say(
            "That this limit holds for “{highest}” against “{lowest}” alone: it is one for all "
            "pairs together, near ones included.",
            highest=conditions[-1].label,
            lowest=conditions[0].label,
        )
    ]


NOT_TO_CLAIM = {
    "rerecording_too": "That the change is what was heard.",
    "recordings_differ": "That the change is what was heard.",
    "no_preference": "That nobody prefers either. That they sound the same.",
    "divided": "That either is preferred by all.",
}


def _not_to_claim(say: Language, contrast: Contrast, entry: ContrastVerdict) -> list[str]:
    code = entry.verdict
    if code == "heard" and contrast.directed:
        return [say(BETTER), say("Any number of people who hear it: votes were counted.")]
    if code == "heard":
        return [
            say("That everybody always hears it. How many hear it some of the time is not known."),
            say(BETTER),
        ]
    if code == "preferred":
        return [
            _not_everybody(say, contrast, entry),
            say("Any number of people who prefer it: votes were counted."),
        ]
    if code == "not_heard":
        return [
            say(
                "That nobody can hear it, or that nothing changed: up to {most} of listeners like "
                "these may hear it every time, and more of them now and then.",
                most=percent_up(entry.numbers.share_upper, say=say),
            ),
            *_not_each_pair(say, contrast),
        ]
    if code in NOT_TO_CLAIM:
        return [say(NOT_TO_CLAIM[code])]
    asked = contrast.asked_by
    return [say((entry.numbers.barrier and asked.no_claim_of_change) or asked.no_claim)]


def _not_everybody(say: Language, contrast: Contrast, entry: ContrastVerdict) -> str:
    if entry.correct is None or not entry.trials:
        return say("That everybody prefers it.")
    return say(
        "That everybody prefers it: {votes} of {trials} votes went the other way.",
        votes=count(entry.trials - _side(say, contrast, entry)[1], say),
        trials=count(entry.trials, say),
    )
