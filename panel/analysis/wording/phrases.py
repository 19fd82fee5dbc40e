"""The pieces that the verdict's sentences are made of."""

from panel import prose
from panel.prose import NBSP, Language, about, listed, quoted
from panel.study.plan import Contrast, Plan
from panel.study.verdict import ContrastVerdict, Rates


def percent(say: Language, share: float) -> str:
    """A share in whole percent, with a plain space: sentences stand in tables too."""
    return prose.percent(share, say=say).replace(NBSP, " ")


def at_most(share: float) -> str:
    """A bound from above, rounded to its safe side."""
    return prose.percent_up(share).replace(NBSP, " ")


def at_least(share: float) -> str:
    """A bound from below, rounded to its safe side."""
    return prose.percent_down(share).replace(NBSP, " ")


def listeners(say: Language, n: int) -> str:
    return say.count(n, "{n} listener", "{n} listeners")


def questions(say: Language, plan: Plan) -> str:
    n = len(plan.questions)
    return say.count(n, "{n} question", "{n} questions")


def factor_words(say: Language, plan: Plan, contrast: Contrast) -> str:
    name = plan.factor_names.get(contrast.factor or "", contrast.factor or say("the dose"))
    unit = plan.units.get(contrast.factor or "", "")
    return f"{name} ({unit})" if unit else name


def factor_names(say: Language, plan: Plan, ids: tuple[str, ...]) -> str:
    return listed((plan.factor_names.get(f, f) for f in ids), say)


def told_apart(say: Language, contrast: Contrast, entry: ContrastVerdict) -> str:
    """How often right answers were given, beside what guessing gives."""
    counts = {"right": entry.correct, "trials": entry.trials, "guess": _guess(contrast, entry)}
    rates = entry.numbers.rates
    if rates is None:
        return say(contrast.asked_by.found, **counts)
    return say(
        "called rightly the same or different in {right} of {trials} blind comparisons, where "
        "guessing gives about {guess} (“different” was said of {hits} of {different} pairs of two "
        "takes and of {false_alarms} of {same} of one take twice)",
        **counts,
        hits=rates.hits,
        different=rates.different_trials,
        false_alarms=rates.false_alarms,
        same=rates.same_trials,
    )


def _guess(contrast: Contrast, entry: ContrastVerdict) -> str:
    return about(entry.trials * contrast.chance)


def within_words(say: Language, contrast: Contrast, entry: ContrastVerdict) -> str:
    """How the retake pairs did, as a clause; "" if there are none."""
    found = entry.numbers.question
    if found is None or not found.within_trials or found.within_right is None:
        return ""
    if found.rates is not None:
        return _within_rates(say, found.rates)
    return say(
        "two takes of the same condition, in {right} of {trials} (guessing: about {guess})",
        right=found.within_right,
        trials=found.within_trials,
        guess=about(found.within_trials * contrast.chance),
    )


def _within_rates(say: Language, rates: Rates) -> str:
    return say(
        "“different” was said of {within} of {pairs} pairs of two takes of the same condition",
        within=rates.within_called_different,
        pairs=rates.within_different_trials,
    )


def _side(say: Language, plan: Plan, contrast: Contrast, *, more: bool) -> str:
    """The side that most directed votes point to."""
    if contrast.is_dose:
        text = "the take with more {factor}" if more else "the take with less {factor}"
        return say(text, factor=factor_words(say, plan, contrast))
    return quoted([contrast.conditions[-1 if more else 0].label], say)


def direction(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    """What the directed votes across conditions said, as a clause."""
    trials, right = entry.trials, entry.correct
    if right is None:
        return say(
            "{trials} blind comparisons across {conditions} conditions",
            trials=trials,
            conditions=len(contrast.conditions),
        )
    if not trials:
        return say("neither was preferred in all {ties} blind comparisons", ties=entry.ties)
    more = 2 * right >= trials
    found: dict[str, str | int] = {
        "side": _side(say, plan, contrast, more=more),
        "votes": right if more else trials - right,
        "trials": trials,
        "coin": about(trials / 2),
    }
    attribute = contrast.attribute or say("of it")
    return say(contrast.asked_by.found, attribute=attribute, **found) + _neither(
        say, contrast, entry
    )


def _neither(say: Language, contrast: Contrast, entry: ContrastVerdict) -> str:
    """How many votes preferred neither, as a clause; "" where that could not be said."""
    if not contrast.ties:
        return ""
    return say("; {ties} more preferred neither and count for no side", ties=entry.ties)


def what_was_found(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    if contrast.directed:
        return direction(say, plan, contrast, entry)
    return told_apart(say, contrast, entry)


def given_sentence(say: Language, plan: Plan, contrast: Contrast) -> str:
    """What a question given other factors compares; "" for any other."""
    if not contrast.given:
        return ""
    return say(
        "This is given {names}: only takes alike in {names} were compared, and it is one answer "
        "over all such groups together, not one for each.",
        names=factor_names(say, plan, contrast.given),
    )


BARRIERS = {
    "answers_removed": (
        "Nothing is claimed about what was changed: answers of listeners who withdrew were "
        "removed while outcomes could be seen."
    ),
    "one_take": (
        "Nothing is claimed about what was changed: there is one take of {short}, and two "
        "recordings can differ by re-recording alone."
    ),
    "override": (
        "This cannot be attributed to one change. The organiser's reason for asking all the "
        "same: “{reason}”."
    ),
    "several_changes": "This cannot be attributed to one change: {differs} differ.",
    "unlogged": (
        "Nothing is claimed about what was changed: {unlogged} was not logged for all takes."
    ),
    "no_specimen": (
        "Nothing is claimed about what was changed: it is not logged of which specimen each take "
        "is."
    ),
    "sessions_unlogged": (
        "Nothing is claimed about what was changed: it is not logged in which session each take "
        "was recorded."
    ),
    "different_sessions": (
        "Nothing is claimed about what was changed: conditions were never recorded in one session, "
        "and nothing tells the change from the day."
    ),
    "in_one_go": (
        "Nothing is claimed about what was changed: one condition was recorded after the other, "
        "and nothing tells the change from warming up or drift."
    ),
    "no_retake_votes": (
        "Nothing is claimed about what was changed: no votes on two takes of the same condition "
        "are there to compare with."
    ),
    "too_few_takes": (
        "Nothing is claimed about what was changed: with these takes the least p that relabelling "
        "them can give is {least_p}, above {alpha}."
    ),
    "too_many_questions": (
        "Nothing is claimed about what was changed: with these takes the least p that relabelling "
        "them can give is {least_p}, which does not pass {alpha} when shared by {questions} "
        "questions."
    ),
}


def barrier_sentence(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    """Why nothing is claimed about the change; "" where nothing stands in the way."""
    found = entry.numbers.question
    if found is None or found.barrier is None:
        return ""
    text = BARRIERS[found.barrier]
    if found.barrier == "too_few_takes":
        text = contrast.asked_by.few_takes or text
    least = found.attribution.least_p
    return say(
        text,
        short=quoted((c.label for c in contrast.conditions if len(c.takes) < 2), say),
        reason=contrast.override_reason,
        differs=factor_names(say, plan, contrast.differs),
        unlogged=factor_names(say, plan, contrast.unlogged),
        least_p="" if least is None else f"{least:.3g}",
        alpha=f"{plan.alpha:g}",
        questions=len(plan.questions),
    )
