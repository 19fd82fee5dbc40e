"""The numbers of a contrast, each with its name in plain words: term and value."""

from __future__ import annotations

from collections.abc import Sequence

from panel.analysis.sizes import MEAN_SHARE, TYPICAL, UNLIKE
from panel.procedures.base import Procedure
from panel.prose import (
    about,
    chance_of,
    count,
    decimal,
    evidence,
    number_range,
    p_value,
    percent,
    percent_down,
    percent_range,
    percent_up,
    plural,
)
from panel.report.figures.outcome import later
from panel.study.plan import Contrast, Plan
from panel.study.shapes import NotTold
from panel.study.verdict import AnytimeDifference, ContrastVerdict, Numbers, QuestionNumbers, Rates

Line = tuple[str, str]
SIZE_WORDS = {
    TYPICAL: "Size d′ of the typical listener",
    UNLIKE: "Mean size d′ over listeners, who differ widely",
    MEAN_SHARE: "Size d′ that this share right amounts to",
}


def number_lines(
    plan: Plan, contrast: Contrast, entry: ContrastVerdict, of_size: str | None
) -> list[Line]:
    """Terms and values for the report; what was not computed is left out. `of_size`: what is said
    of the size."""
    return [
        ("Procedure", _procedure(contrast)),
        *_counts(contrast, entry),
        *_share(plan, entry.numbers),
        *_chance(plan, contrast.asked_by, entry.numbers),
        *_of_question(plan, entry.numbers),
        *_who_hear(entry.numbers),
        *_size(entry.numbers, of_size),
        *_evidence(plan, entry.numbers),
        *_votes(entry),
    ]


def left_out_lines(sentences: Sequence[str]) -> list[Line]:
    """What the verdict becomes when one listener, excerpt or take is left out, in words."""
    return [("With one left out", " ".join(sentences))] if sentences else []


def _procedure(contrast: Contrast) -> str:
    kind = contrast.asked_by
    return f"{kind.name}: “{kind.question_text(contrast.attribute)}”"


def _counts(contrast: Contrast, entry: ContrastVerdict) -> list[Line]:
    if entry.correct is None:
        return [("Votes", count(entry.trials))]
    toward = contrast.directed and contrast.role == "question"
    name = f"Votes for “{later(contrast)}”" if toward else "Right answers"
    lines = [(name, f"{count(entry.correct)} of {count(entry.trials)}")]
    neither = entry.numbers.question.neither if entry.numbers.question else None
    if neither is not None:
        lines.append(("Neither preferred (half to each side in the share)", count(neither)))
    return [*lines, ("By guessing", f"about {about(entry.trials * contrast.chance)}")]


def _share(plan: Plan, numbers: Numbers) -> list[Line]:
    if numbers.share_right is None:
        return []
    return [
        (
            f"Share, with its {percent(plan.confidence)} interval over listeners",
            f"{percent(numbers.share_right)} ({percent_range(numbers.interval)})",
        )
    ]


def _chance(plan: Plan, kind: Procedure, numbers: Numbers) -> list[Line]:
    """How often guessing would give such votes: never how likely it is that somebody guesses.

    In an anytime plan only the anytime-valid p counts, so only that is shown.
    """
    p = numbers.p_anytime if plan.anytime else numbers.p_chance
    if p is None:
        return []
    who = "A coin" if kind.directed else "Guessing"
    does = "lean as far, either way" if kind.directed else "do as well"
    lines = [(f"{who} would{' ever' if plan.anytime else ''} {does}", _p(p))]
    questions = len(plan.questions)
    if numbers.p_chance_holm is not None and questions > 1:
        lines.append((f"The same, over {questions} questions", _p_only(numbers.p_chance_holm)))
    return lines


def _of_question(plan: Plan, numbers: Numbers) -> list[Line]:
    found = numbers.question
    if found is None:
        return []
    return [
        *_within(found),
        *_rates(found.rates),
        *_anytime_difference(found.anytime_difference),
        *_attribution(found, len(plan.questions)),
    ]


def _within(found: QuestionNumbers) -> list[Line]:
    if found.within_right is None or not found.within_trials:
        return []
    return [
        (
            "Retakes of the same told apart",
            f"{count(found.within_right)} of {count(found.within_trials)} "
            f"({percent(found.within_share)})",
        )
    ]


def _rates(found: Rates | None) -> list[Line]:
    """How often each kind of pair was called different, where trials are of both kinds."""
    if found is None:
        return []
    kinds = (
        ("Two takes across conditions called different", found.hits, found.different_trials,
         found.hit_rate, found.hit_interval),
        ("One take twice called different", found.false_alarms, found.same_trials,
         found.false_alarm_rate, found.false_alarm_interval),
    )  # fmt: skip
    return [
        (
            name,
            f"{count(called)} of {count(trials)}, "
            f"{percent(rate)} ({percent_range(interval)} over listeners)",
        )
        for name, called, trials, rate, interval in kinds
        if trials
    ]


def _anytime_difference(found: AnytimeDifference | NotTold | None) -> list[Line]:
    if found is None or isinstance(found, NotTold):
        return []
    return [
        (
            "Told apart more often than retakes, in these recordings, whenever looked at",
            f"the comparison across was the right one in {count(found.across_right)} of "
            f"{count(found.one_right)} pairs of votes with one right "
            f"({_p_only(found.p_anytime)})",
        )
    ]


def _attribution(question: QuestionNumbers, questions: int) -> list[Line]:
    found = question.attribution
    if found.p is None:
        return []
    ways = found.labelings
    if not ways:  # takes went by condition: no relabelling
        return [("Above one half also over takes, each left out in turn", _p(found.p))]
    if found.exact:
        as_much = f"{round(found.p * ways):,} of all {ways:,} ways (p {p_value(found.p)})"
    else:
        as_much = f"{_p(found.p)}, from a draw of the {count(ways)} ways"
    lines = [("Labels put on the takes in other ways show as much", as_much)]
    if question.p_heard_holm is not None:
        over = f", over {questions} questions" if questions > 1 else ""
        lines.append((f"The larger of the two p{over}", _p_only(question.p_heard_holm)))
    return lines


def _who_hear(numbers: Numbers) -> list[Line]:
    if numbers.share_upper is None:
        return []
    return [
        (
            "Share who hear it (as if they always did)",
            f"at least {percent_down(numbers.share_lower)}, at most "
            f"{percent_up(numbers.share_upper)}; estimate {percent(numbers.share_estimate)}",
        )
    ]


def _size(numbers: Numbers, said: str | None) -> list[Line]:
    found = numbers.question
    if found is None or found.dprime is None:
        return []
    text = decimal(found.dprime)
    if found.dprime_interval:
        text = f"{text} ({number_range(found.dprime_interval)})"
    lines = [(SIZE_WORDS.get(str(found.dprime_of), "Size d′"), text)]
    if found.dprime_of == UNLIKE and numbers.share_upper is not None:
        unlike = "none for a typical listener: listeners differ too much; see the share who hear it"
        lines = [("Size d′", unlike)]
    spreads = (
        ("listeners", found.listener_sd), ("takes", found.take_sd), ("excerpts", found.excerpt_sd),
    )  # fmt: skip
    told = ", ".join(f"{name} {decimal(sd)}" for name, sd in spreads if sd is not None)
    if told:
        lines.append(("Spread of d′ (standard deviation) over", told))
    return [*lines, *([("About the size", said)] if said else [])]


def _evidence(plan: Plan, numbers: Numbers) -> list[Line]:
    if numbers.e_value is None:
        return []
    return [
        (
            "Evidence against guessing alone, 1 being none (anytime-valid: true whenever one "
            "looks)",
            f"{evidence(numbers.e_value)} times"
            + ("" if plan.anytime else "; decides nothing in this plan"),
        )
    ]


def _votes(entry: ContrastVerdict) -> list[Line]:
    numbers = entry.numbers
    if not numbers.listeners:
        return []
    lines = [("From", f"{plural(numbers.listeners, 'listener')} who count")]
    if numbers.votes_cast and numbers.votes_planned:
        with_them = ", those on retakes and of listeners left out included"
        if entry.role == "planted_check":
            with_them = ""
        cast = f"{count(numbers.votes_cast)} of {count(numbers.votes_planned)} planned"
        lines.append((f"Votes cast{with_them}", cast))
    return lines


def _p_only(p: float) -> str:
    return f"p {p_value(p)}"


def _p(p: float) -> str:
    return f"{chance_of(p)} (p {p_value(p)})"
