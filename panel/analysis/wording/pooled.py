"""What is said of a table of votes without its plan."""

from __future__ import annotations

from dataclasses import dataclass

from panel.analysis.wording import messages
from panel.analysis.wording.phrases import at_least, at_most, listeners
from panel.analysis.wording.reasons import swapped_words
from panel.procedures.catalogue import PROCEDURES
from panel.prose import ENGLISH, Language, about, p_equals
from panel.study.pooled import Pooled, PooledContrast
from panel.study.verdict import Remark

ALPHA = 0.05
LIMITS = {
    "no_plan": (
        "No verdict: this is the table without its plan. Give the plan (--plan plan.json) for one."
    ),
    "no_conditions": (
        "Whether what was changed is responsible cannot be said: that needs the conditions of the "
        "takes. Two recordings can differ by re-recording alone."
    ),
    "all_together": (
        "Comparisons of two takes of one condition, where there are any, are counted together "
        "with those across conditions; and a planted check looks like a question."
    ),
    "nobody_excluded": ("Nobody is excluded, and which rule the plan has for that is not known."),
    "not_adjusted": (
        "Nothing is adjusted for there being {contrasts} contrasts: among many, one may pass by "
        "luck."
    ),
    "one_listener": "All votes are by one listener.",
}
CHANCE = {
    # what the votes show: (pointing to a side, or right and wrong)
    "at_one_moment": (
        "At one moment the votes stood beyond what coins explain ({p_anytime}, valid whenever "
        "somebody looked); all of them together do not ({p}).",
        "At one moment the votes stood beyond what guessing explains ({p_anytime}, valid whenever "
        "somebody looked); all of them together do not ({p}).",
    ),
    "at_any_time": (
        "That is more than coins explain, whenever somebody looked ({p_anytime}).",
        "That is more than guessing explains, whenever somebody looked ({p_anytime}).",
    ),
    "if_fixed": (
        "That is more than coins explain only if the number of votes was fixed before the first "
        "({p}); if somebody could look and stop, it is not shown ({p_anytime}).",
        "That is more than guessing explains only if the number of votes was fixed before the "
        "first ({p}); if somebody could look and stop, it is not shown ({p_anytime}).",
    ),
    "not_shown": (
        "That is not shown to be more than coins explain ({p}). It is no proof that nothing is "
        "heard.",
        "That is not shown to be more than guessing explains ({p}). It is no proof that nothing is "
        "heard.",
    ),
}
NOTES = {
    "few_listeners": (
        "Votes of {listeners} say nothing about other people: no share of listeners, no interval "
        "and no size are given."
    ),
    "share": (
        "If the number of votes was fixed beforehand: of such listeners at least {least} hear a "
        "difference in these comparisons, and at most {most} hear one every time."
    ),
    "share_of_all_pairs": (
        "If the number of votes was fixed beforehand: of such listeners at least {least} hear a "
        "difference in these comparisons, and at most {most} hear one every time. This is over all "
        "pairs of takes, those of one condition with those across; how many hear the change only "
        "the plan can tell."
    ),
    "one_excerpt": "One excerpt was heard: the votes hold for it alone.",
    "sides_unknown": (
        "Which side each take is on stands in the plan, so no share and no size are given."
    ),
}


@dataclass(frozen=True)
class PooledContrastTold:
    """`counted`: what the count of votes counts; None where nothing can be counted."""

    sentence: str
    notes: tuple[str, ...]
    counted: str | None


@dataclass(frozen=True)
class PooledTold:
    """`contrasts` by id."""

    contrasts: dict[str, PooledContrastTold]
    limits: tuple[str, ...]


def told(pooled: Pooled, say: Language = ENGLISH) -> PooledTold:
    """Every sentence that the facts bear, in a language."""
    return PooledTold(
        {
            entry.id: PooledContrastTold(
                _found(say, entry),
                tuple(_note(say, entry, remark) for remark in entry.notes),
                _counted(say, entry),
            )
            for entry in pooled.contrasts
        },
        tuple(say(LIMITS[remark.code], **remark.values) for remark in pooled.limits),
    )


def _counted(say: Language, entry: PooledContrast) -> str | None:
    if entry.correct is None:
        return None
    return say("votes for {side}", side=entry.sides[1]) if entry.sides else say("right answers")


def _found(say: Language, entry: PooledContrast) -> str:
    people = listeners(say, entry.numbers.listeners)
    if entry.correct is None:
        return say(
            "{trials} blind comparisons by {listeners}, of {takes} takes with one another.",
            trials=entry.trials,
            listeners=people,
            takes=entry.takes,
        )
    if entry.sides:
        low, high = entry.sides
        return say(
            "“{high}” was chosen over “{low}” in {count} of {trials} blind comparisons by "
            "{listeners}.",
            high=high,
            low=low,
            count=entry.correct,
            trials=entry.trials,
            listeners=people,
        )
    return say(
        "Right in {count} of {trials} blind comparisons by {listeners}, where guessing gives about "
        "{guess}.",
        count=entry.correct,
        trials=entry.trials,
        listeners=people,
        guess=about(entry.trials * PROCEDURES[entry.procedure].chance),
    )


def _note(say: Language, entry: PooledContrast, remark: Remark) -> str:
    numbers = entry.numbers
    if remark.code == "chance":
        return _chance(say, entry)
    if remark.code == "swapped":
        return swapped_words(say, remark)
    if remark.code in ("size", "no_size"):
        return _size(say, entry)
    return say(
        NOTES[remark.code],
        listeners=listeners(say, numbers.listeners),
        least=at_least(numbers.share_lower or 0.0),
        most=at_most(numbers.share_upper or 0.0),
    )


def _size(say: Language, entry: PooledContrast) -> str:
    numbers = entry.numbers
    message = messages.of_size(say, numbers.model_message) or ""
    if numbers.dprime is None:
        return message
    size = f"{numbers.dprime:.2f}"
    if numbers.dprime_interval:
        low, high = ("inf" if end is None else f"{end:.2f}" for end in numbers.dprime_interval)
        size = say("{size} ({low} to {high})", size=size, low=low, high=high)
    return say("Size d′ {size}. {message}", size=size, message=message).strip()


def _chance(say: Language, entry: PooledContrast) -> str:
    p, p_anytime = entry.numbers.p_chance, entry.numbers.p_anytime
    if p_anytime <= ALPHA:
        shown = "at_one_moment" if p > ALPHA else "at_any_time"
    else:
        shown = "if_fixed" if p <= ALPHA else "not_shown"
    text = CHANCE[shown][0 if PROCEDURES[entry.procedure].directed else 1]
    return say(text, p=p_equals(p), p_anytime=p_equals(p_anytime))
