"""The verdict in plain words, number first."""

from panel.analysis.wording import ranking
from panel.analysis.wording.phrases import (
    at_least,
    at_most,
    barrier_sentence,
    direction,
    factor_words,
    given_sentence,
    listeners,
    percent,
    told_apart,
    what_was_found,
    within_words,
)
from panel.analysis.wording.scope import about
from panel.prose import Language, capital, listed
from panel.study.plan import Contrast, Plan
from panel.study.verdict import ContrastVerdict, Verdict

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
OF_LIKINGS = ("preferred", "divided", "no_preference")


def sentence(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    """The verdict of one contrast in one or two sentences."""
    parts = [_scoped(say, plan, contrast, entry)]
    found = entry.numbers.question
    if found is not None:
        if entry.trials + entry.ties:
            parts.append(given_sentence(say, plan, contrast))
        if found.ranking is not None:
            parts.append(ranking.sentence(say, found.ranking, contrast.attribute))
    return " ".join(part for part in parts if part)


def _scoped(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    """The outcome, after what it is about."""
    outcome = _outcome(say, plan, contrast, entry)
    scope = about(say, plan, contrast, entry)
    return say("{scope}: {outcome}", scope=scope, outcome=outcome) if scope else outcome


def _outcome(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    if entry.trials + entry.ties == 0:
        return say("Not enough yet. No votes count for this contrast.")
    if contrast.role == "planted_check":
        return _check_sentence(say, plan, entry)
    if contrast.role == "retake_control":
        return _control_sentence(say, plan, contrast, entry)
    if entry.verdict == "not_enough":
        return _undecided(say, plan, contrast, entry)
    if entry.verdict in OF_LIKINGS:
        return _preference_sentence(say, plan, contrast, entry)
    return _question_sentence(say, plan, contrast, entry)


def _check_sentence(say: Language, plan: Plan, entry: ContrastVerdict) -> str:
    lower = entry.numbers.share_lower
    counts = {"right": entry.correct, "trials": entry.trials}
    if entry.verdict == "heard":
        return say(
            "Heard. {right} of {trials} planted differences were answered right: this panel, on "
            "its equipment, was able to hear a difference.",
            **counts,
        )
    if entry.beats_chance and lower is not None:
        return say(
            "Not enough. {right} of {trials} planted differences were answered right, but from "
            "{listeners} that shows only that at least {least} of such listeners hear it; the "
            "plan asks for more than {limit}.",
            **counts,
            listeners=listeners(say, entry.numbers.listeners),
            least=at_least(lower),
            limit=percent(say, plan.limit),
        )
    return say(
        "Not enough. {right} of {trials} planted differences were answered right: it is not shown "
        "that this panel was able to hear a difference.",
        **counts,
    )


def _of_one_kind(say: Language, entry: ContrastVerdict, told: str) -> str:
    """Of a control whose takes are of several specimens: these differ too."""
    if entry.verdict == "heard":
        return say(
            "Heard. Two takes of the same condition were {told}: what is alike in what was changed "
            "can be told apart, by the specimen or by re-recording.",
            told=told,
        )
    if entry.verdict == "not_heard":
        return say(
            "Not heard; at most {most} of such listeners hear every time what tells two takes of "
            "the same condition apart, the specimen or re-recording. Two takes of the same "
            "condition were {told}.",
            most=at_most(entry.numbers.share_upper or 0.0),
            told=told,
        )
    return say("Not enough yet. Two takes of the same condition were {told}.", told=told)


def _control_sentence(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    if contrast.directed:
        text = (
            "Heard. In {trials} blind comparisons of two takes of the same condition, listeners "
            "agree on some takes more than coins would."
            if entry.verdict == "heard"
            else "Not enough. In {trials} blind comparisons of two takes of the same condition, "
            "listeners agree on takes no more than coins would."
        )
        return say(text, trials=entry.trials)
    told = told_apart(say, contrast, entry)
    if not plan.sampling[contrast.id].one_each:
        return _of_one_kind(say, entry, told)
    if entry.verdict == "heard":
        return say(
            "Heard. Two takes of the same condition were {told}: re-recording alone can be heard.",
            told=told,
        )
    if entry.verdict == "not_heard":
        return say(
            "Not heard; at most {most} of such listeners hear re-recording alone every time. Two "
            "takes of the same condition were {told}.",
            most=at_most(entry.numbers.share_upper or 0.0),
            told=told,
        )
    return say("Not enough yet. Two takes of the same condition were {told}.", told=told)


def _question_sentence(
    say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict
) -> str:
    found = capital(what_was_found(say, plan, contrast, entry))
    if entry.verdict == "heard":
        return _heard(say, plan, contrast, entry, found)
    if entry.verdict == "not_heard":
        return " ".join(
            part
            for part in (
                say(
                    "Not heard; at most {most} of such listeners can hear it every time. {found}.",
                    most=at_most(entry.numbers.share_upper or 0.0),
                    found=found,
                ),
                _all_pairs(say, plan, contrast),
                _on_average(say, entry),
                _two_recordings(say, entry),
            )
            if part
        )
    if entry.verdict == "rerecording_too":
        text = (
            "Heard, but not shown to be more than re-recording. {found}. Nothing is claimed about "
            "the change."
            if plan.sampling[contrast.id].one_each
            else "Heard, but not shown to be more than two of one kind differ. {found}. Nothing is "
            "claimed about the change."
        )
        return say(text, found=_with_retakes(say, contrast, entry, found))
    return say(
        "These recordings differ. {found}. {barrier}",
        found=found,
        barrier=barrier_sentence(say, plan, contrast, entry),
    )


def _undecided(say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict) -> str:
    found = capital(what_was_found(say, plan, contrast, entry))
    if contrast.directed and entry.beats_chance and entry.numbers.barrier:
        return say(
            "Not enough to claim a preference for the change. {found}: in these recordings one "
            "side is preferred. {barrier}",
            found=found,
            barrier=barrier_sentence(say, plan, contrast, entry),
        )
    return say(contrast.asked_by.undecided, found=found, share=_share_range(say, entry))


def _heard(
    say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict, found: str
) -> str:
    if contrast.directed:
        return say("Heard. {found}.", found=found)
    found = _with_retakes(say, contrast, entry, capital(told_apart(say, contrast, entry)))
    if contrast.is_dose:
        return say(
            "Heard, the more so the further apart in {factor}. {found}.",
            factor=factor_words(say, plan, contrast),
            found=found,
        )
    return say("Heard. {found}.", found=found)


def _with_retakes(say: Language, contrast: Contrast, entry: ContrastVerdict, found: str) -> str:
    retakes = within_words(say, contrast, entry)
    return f"{found}; {retakes}" if retakes else found


def _two_recordings(say: Language, entry: ContrastVerdict) -> str:
    if entry.numbers.barrier == "one_take":
        return say("This is a statement about these recordings, one take of a condition.")
    return say("This is a statement about these recordings.") if entry.numbers.barrier else ""


def _all_pairs(say: Language, plan: Plan, contrast: Contrast) -> str:
    """Of a dose: the bound is one for all distances."""
    if not contrast.is_dose or len(contrast.conditions) < 3:
        return ""
    return say(
        "This is over all pairs of values of {name}, near and far together.",
        name=plan.factor_names.get(contrast.factor or "", say("the dose")),
    )


def _on_average(say: Language, entry: ContrastVerdict) -> str:
    """An average hides the one excerpt on which it is heard."""
    found = entry.numbers.question
    if found is None or len(found.by_excerpt) < 2:
        return ""
    return say(
        "This is on average over these {n} excerpts, not for each of them.", n=len(found.by_excerpt)
    )


def _share_range(say: Language, entry: ContrastVerdict) -> str:
    if entry.numbers.interval is None or entry.correct is None:
        return ""
    low, high = entry.numbers.interval
    if 2 * entry.correct < entry.trials:
        low, high = 1 - high, 1 - low
    return say(
        "; over listeners the share lies between {low} and {high}",
        low=at_least(low),
        high=at_most(high),
    )


def _preference_sentence(
    say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict
) -> str:
    clause = direction(say, plan, contrast, entry)
    found = capital(clause)
    if entry.verdict == "preferred":
        return _preferred(say, entry, found)
    if entry.verdict == "divided":
        return _divided(say, entry, clause)
    text = say("No preference. {found}{share}.", found=found, share=_share_range(say, entry))
    return " ".join(part for part in (text, _two_recordings(say, entry)) if part)


def _preferred(say: Language, entry: ContrastVerdict, found: str) -> str:
    if entry.audible_elsewhere:
        return say("Preferred. {found}.", found=found)
    return say(
        "Preferred. {found}. This is a preference without demonstrated audibility: no question of "
        "this study shows by itself that the conditions are told apart.",
        found=found,
    )


def _divided(say: Language, entry: ContrastVerdict, clause: str) -> str:
    if entry.correct is None:
        return say(
            "Listeners are divided. In {found}, listeners differ from one another in what they "
            "prefer, more than chance and the takes explain.",
            found=clause,
        )
    return say(
        "Listeners are divided. {found}, and listeners differ from one another more than chance "
        "and the takes explain: they do not all lean alike.",
        found=capital(clause),
    )


def headline(say: Language, plan: Plan, verdict: Verdict) -> str:
    """The study in one line."""
    questions = [entry for entry in verdict.contrasts if entry.role == "question"]
    if not questions:
        return say("This study names no question; its controls are reported below.")
    if len(questions) == 1:
        return _headline_of_one(say, plan, questions[0])
    groups: dict[str, list[str]] = {}
    for entry in questions:
        groups.setdefault(say(CODE_WORDS[entry.verdict]), []).append(entry.name)
    return " ".join(f"{capital(words)}: {listed(names, say)}." for words, names in groups.items())


def _headline_of_one(say: Language, plan: Plan, entry: ContrastVerdict) -> str:
    contrast = plan.contrast(entry.id)
    parts = [_scoped(say, plan, contrast, entry)]
    if entry.trials + entry.ties:
        parts.append(given_sentence(say, plan, contrast))
    return " ".join(part for part in parts if part)
