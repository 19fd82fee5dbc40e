"""The pieces that the verdict's sentences are made of."""

from panel.analysis.decision.judgement import Judgement
from panel.prose import NBSP, about, listed, percent_down, percent_up
from panel.prose import percent as percent_of
from panel.study.plan import Contrast, Plan


def percent(share: float, *, up: bool = False, down: bool = False) -> str:
    """A share in whole percent; `up` and `down` round a bound to its safe side."""
    said = percent_up if up else percent_down if down else percent_of
    return said(share).replace(NBSP, " ")


def of(count: int | None, n: int) -> str:
    return f"in {count} of {n} blind comparisons"


def _low_high(contrast: Contrast) -> tuple[str, str]:
    """Names of the two sides that a directed vote can point to."""
    if contrast.is_dose:
        return "less", "more"
    return contrast.conditions[0].label, contrast.conditions[-1].label


def factor_words(plan: Plan, contrast: Contrast) -> str:
    name = plan.factor_names.get(contrast.factor or "", contrast.factor or "the dose")
    unit = plan.units.get(contrast.factor or "", "")
    return f"{name} ({unit})" if unit else name


def told_apart(judged: Judgement) -> str:
    asked, rates = judged.evidence.asked, judged.evidence.rates
    if rates is not None:
        return (
            f"called rightly the same or different {of(asked.count, asked.n)}, where guessing "
            f"gives about {_guess(judged)} (“different” was said of {rates.hits} of "
            f"{rates.different} pairs of two takes and of {rates.false_alarms} of {rates.same} of "
            "one take twice)"
        )
    if judged.contrast.procedure == "reminder":
        return (
            f"told which was which {of(asked.count, asked.n)} with both conditions at hand, where "
            f"guessing gives about {_guess(judged)}"
        )
    return f"told apart {of(asked.count, asked.n)}, where guessing gives about {_guess(judged)}"


def _guess(judged: Judgement) -> str:
    return about(judged.evidence.asked.n * judged.contrast.chance)


def within_words(judged: Judgement) -> str:
    """How the retake pairs did, as a clause; "" if there are none."""
    within = judged.evidence.within
    if within is None or not within.n or within.count is None:
        return ""
    if judged.evidence.rates is not None:
        rates = judged.evidence.rates
        return (
            f"“different” was said of {rates.within} of {rates.within_pairs} pairs of two takes of "
            "the same condition"
        )
    return (
        f"two takes of the same condition, in {within.count} of {within.n} (guessing: about "
        f"{about(within.n * judged.contrast.chance)})"
    )


def neither_words(judged: Judgement) -> str:
    """How many votes preferred neither, as a clause; "" where that could not be said."""
    asked = judged.evidence.asked
    if not judged.contrast.ties:
        return ""
    return f"; {asked.ties} more preferred neither and count for no side"


def direction(plan: Plan, judged: Judgement) -> str:
    """What the directed votes across conditions said, as a clause."""
    contrast, asked = judged.contrast, judged.evidence.asked
    if asked.count is None:
        return f"{asked.n} blind comparisons across {len(contrast.conditions)} conditions"
    if not asked.n:
        return f"neither was preferred in all {asked.ties} blind comparisons"
    more = 2 * asked.count >= asked.n
    count = asked.count if more else asked.n - asked.count
    low, high = _low_high(contrast)
    if contrast.is_dose:
        side = f"the take with {high if more else low} {factor_words(plan, contrast)}"
    else:
        side = f"“{high if more else low}”"
    found = f"{of(count, asked.n)}, where a coin gives about {about(asked.n / 2)}"
    if contrast.procedure == "preference":
        return f"{side} was preferred {found}{neither_words(judged)}"
    what = contrast.attribute or "of it"
    return f"{side} was said to have more {what} {found}"


def what_was_found(plan: Plan, judged: Judgement) -> str:
    return direction(plan, judged) if judged.contrast.directed else told_apart(judged)


def given_words(plan: Plan, contrast: Contrast) -> str:
    """Names of the factors that takes are crossed over; "" where none is given."""
    return listed([plan.factor_names.get(f, f) for f in contrast.given])


def given_sentence(plan: Plan, contrast: Contrast) -> str:
    """What a question given other factors compares, with a space before; "" for any other."""
    if not contrast.given:
        return ""
    names = given_words(plan, contrast)
    return (
        f" This is given {names}: only takes alike in {names} were compared, and it is one answer "
        "over all such groups together, not one for each."
    )


def barrier_sentence(plan: Plan, judged: Judgement) -> str:
    """Why nothing is claimed about the change."""
    contrast, barrier = judged.contrast, judged.findings.barrier
    if barrier == "answers_removed":
        return (
            "Nothing is claimed about what was changed: answers of listeners who withdrew were "
            "removed while outcomes could be seen."
        )
    if barrier == "one_take":
        short = [f"“{c.label}”" for c in contrast.conditions if len(c.takes) < 2]
        return (
            f"Nothing is claimed about what was changed: there is one take of {listed(short)}, "
            "and two recordings can differ by re-recording alone."
        )
    if barrier == "override":
        return (
            "This cannot be attributed to one change. The organiser's reason for asking all the "
            f"same: “{contrast.override_reason}”."
        )
    if barrier == "several_changes":
        names = listed([plan.factor_names.get(f, f) for f in contrast.differs])
        return f"This cannot be attributed to one change: {names} differ."
    if barrier == "unlogged":
        names = listed([plan.factor_names.get(f, f) for f in contrast.unlogged])
        return f"Nothing is claimed about what was changed: {names} was not logged for all takes."
    if barrier == "no_retake_votes":
        return (
            "Nothing is claimed about what was changed: no votes on two takes of the same "
            "condition are there to compare with."
        )
    if barrier == "too_few_takes" and contrast.procedure == "reminder":
        return (
            "Nothing is claimed about what was changed: with a reminder takes go by condition, and "
            "it needs four takes of each to tell the change from the takes."
        )
    if barrier == "too_few_takes":
        return (
            "Nothing is claimed about what was changed: with these takes the least p that "
            f"relabelling them can give is {judged.least_p:.3g}, above {plan.alpha:g}."
        )
    if barrier == "too_many_questions":
        return (
            "Nothing is claimed about what was changed: with these takes the least p that "
            f"relabelling them can give is {judged.least_p:.3g}, which does not pass "
            f"{plan.alpha:g} when shared by {len(plan.questions)} questions."
        )
    return ""
