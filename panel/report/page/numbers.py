"""The numbers of a contrast, each with its name in plain words: term and value."""

from __future__ import annotations

from collections.abc import Sequence

from panel.analysis.sizes import MEAN_SHARE, TYPICAL, UNLIKE
from panel.marked import T_
from panel.procedures.base import Procedure
from panel.prose import (
    Language,
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
)
from panel.report.figures.outcome import later
from panel.study.plan import Contrast, Plan
from panel.study.shapes import NotTold
from panel.study.verdict import (
    AnytimeDifference,
    ContrastVerdict,
    ExcerptVotes,
    Numbers,
    QuestionNumbers,
    Rates,
)

Line = tuple[str, str]
SIZE_WORDS = {
    TYPICAL: "Size d′ of the typical listener",
    UNLIKE: "Mean size d′ over listeners, who differ widely",
    MEAN_SHARE: "Size d′ that this share right amounts to",
}
NO_TYPICAL = "none for a typical listener: listeners differ too much; see the share who hear it"


def number_lines(
    say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict, of_size: str | None
) -> list[Line]:
    """Terms and values for the report; what was not computed is left out. `of_size`: what is said
    of the size."""
    return [
        (say("Procedure"), _procedure(say, contrast)),
        *_counts(say, contrast, entry),
        *_share(say, plan, entry.numbers),
        *_chance(say, plan, contrast.asked_by, entry.numbers),
        *_of_question(say, plan, entry.numbers),
        *_who_hear(say, entry.numbers),
        *_size(say, entry.numbers, of_size),
        *_evidence(say, plan, entry.numbers),
        *_votes(say, entry),
    ]


def left_out_lines(say: Language, sentences: Sequence[str]) -> list[Line]:
    """What the verdict becomes when one listener, excerpt or take is left out, in words."""
    return [(say("With one left out"), " ".join(sentences))] if sentences else []


def _procedure(say: Language, contrast: Contrast) -> str:
    kind = contrast.asked_by
    question = say(kind.question, attribute=contrast.attribute or say("of it"))
    return say("{procedure}: “{question}”", procedure=say(kind.name), question=question)


def _of(say: Language, some: int | None, all_: int | None) -> str:
    return say("{some} of {all}", some=count(some, say), all=count(all_, say))


def _counts(say: Language, contrast: Contrast, entry: ContrastVerdict) -> list[Line]:
    if entry.correct is None:
        return [(say("Votes"), count(entry.trials, say))]
    toward = contrast.directed and contrast.role == "question"
    name = say("Votes for “{side}”", side=later(say, contrast)) if toward else say("Right answers")
    lines = [(name, _of(say, entry.correct, entry.trials))]
    neither = entry.numbers.question.neither if entry.numbers.question else None
    if neither is not None:
        term = say("Neither preferred (half to each side in the share)")
        lines.append((term, count(neither, say)))
    guess = about(entry.trials * contrast.chance)
    return [*lines, (say("By guessing"), say("about {guess}", guess=guess))]


def _share(say: Language, plan: Plan, numbers: Numbers) -> list[Line]:
    if numbers.share_right is None:
        return []
    sure = percent(plan.confidence, say=say)
    return [
        (
            say("Share, with its {sure} interval over listeners", sure=sure),
            f"{percent(numbers.share_right, say=say)} ({percent_range(numbers.interval, say=say)})",
        )
    ]


CHANCE = {
    # (directed, anytime)
    (True, False): "A coin would lean as far, either way",
    (True, True): "A coin would ever lean as far, either way",
    (False, False): "Guessing would do as well",
    (False, True): "Guessing would ever do as well",
}


def _chance(say: Language, plan: Plan, kind: Procedure, numbers: Numbers) -> list[Line]:
    """How often guessing would give such votes: never how likely it is that somebody guesses.

    In an anytime plan only the anytime-valid p counts, so only that is shown.
    """
    p = numbers.p_anytime if plan.anytime else numbers.p_chance
    if p is None:
        return []
    lines = [(say(CHANCE[kind.directed, plan.anytime]), _p(say, p))]
    questions = len(plan.questions)
    if numbers.p_chance_holm is not None and questions > 1:
        term = say("The same, over {questions} questions", questions=questions)
        lines.append((term, _p_only(say, numbers.p_chance_holm)))
    return lines


def _by_excerpt(say: Language, plan: Plan, found: QuestionNumbers) -> list[Line]:
    """What each excerpt gave; nothing is claimed of other music."""
    spans = {e.id: (e.start_s, e.end_s) for e in plan.excerpts}
    return [
        (
            say(
                "Excerpt {name} ({start} to {end} s)",
                name=one.excerpt,
                start=decimal(spans[one.excerpt][0], 1, say=say),
                end=decimal(spans[one.excerpt][1], 1, say=say),
            ),
            _on_excerpt(say, one),
        )
        for one in found.by_excerpt
        if one.excerpt in spans
    ]


def _on_excerpt(say: Language, one: ExcerptVotes) -> str:
    counts = say("{of} by {listeners}", of=_of(say, one.count, one.votes),
                 listeners=say.count(one.listeners, "{n} listener", "{n} listeners"))  # fmt: skip
    if one.share_lower is None or one.share_upper is None:
        return counts
    return say(
        "{counts}; as if at least {least} and at most {most} always heard it (limits of all "
        "excerpts together)",
        counts=counts,
        least=percent_down(one.share_lower, say=say),
        most=percent_up(one.share_upper, say=say),
    )


def _of_question(say: Language, plan: Plan, numbers: Numbers) -> list[Line]:
    found = numbers.question
    if found is None:
        return []
    return [
        *_within(say, found),
        *_by_excerpt(say, plan, found),
        *_rates(say, found.rates),
        *_anytime_difference(say, found.anytime_difference),
        *_attribution(say, found, len(plan.questions)),
    ]


def _within(say: Language, found: QuestionNumbers) -> list[Line]:
    if found.within_right is None or not found.within_trials:
        return []
    of = _of(say, found.within_right, found.within_trials)
    return [
        (
            say("Retakes of the same told apart"),
            f"{of} ({percent(found.within_share, say=say)})",
        )
    ]


def _rates(say: Language, found: Rates | None) -> list[Line]:
    """How often each kind of pair was called different, where trials are of both kinds."""
    if found is None:
        return []
    kinds = (
        (say("Two takes across conditions called different"), found.hits, found.different_trials,
         found.hit_rate, found.hit_interval),
        (say("One take twice called different"), found.false_alarms, found.same_trials,
         found.false_alarm_rate, found.false_alarm_interval),
    )  # fmt: skip
    return [
        (
            name,
            say(
                "{of}, {rate} ({interval} over listeners)",
                of=_of(say, called, trials),
                rate=percent(rate, say=say),
                interval=percent_range(interval, say=say),
            ),
        )
        for name, called, trials, rate, interval in kinds
        if trials
    ]


def _anytime_difference(say: Language, found: AnytimeDifference | NotTold | None) -> list[Line]:
    if found is None or isinstance(found, NotTold):
        return []
    return [
        (
            say("Told apart more often than retakes, in these recordings, whenever looked at"),
            say(
                "the comparison across was the right one in {across} of {pairs} pairs of votes "
                "with one right ({p})",
                across=count(found.across_right, say),
                pairs=count(found.one_right, say),
                p=_p_only(say, found.p_anytime),
            ),
        )
    ]


def _attribution(say: Language, question: QuestionNumbers, questions: int) -> list[Line]:
    found = question.attribution
    if found.p is None:
        return []
    if not found.labelings:  # takes went by condition: no relabelling
        term = say("Above one half also over takes, each left out in turn")
        return [(term, _p(say, found.p))]
    term = say("Labels put on the takes in other ways show as much")
    lines = [(term, _as_much(say, found.p, found.labelings, exact=bool(found.exact)))]
    if question.p_heard_holm is not None:
        text = (
            "The larger of the two p, over {questions} questions"
            if questions > 1
            else "The larger of the two p"
        )
        lines.append((say(text, questions=questions), _p_only(say, question.p_heard_holm)))
    return lines


def _as_much(say: Language, p: float, ways: int, *, exact: bool) -> str:
    if not exact:
        return say("{p}, from a draw of the {ways} ways", p=_p(say, p), ways=count(ways, say))
    return say(
        "{as_much} of all {ways} ways (p {p})",
        as_much=f"{round(p * ways):,}",
        ways=f"{ways:,}",
        p=p_value(p, say),
    )


def _who_hear(say: Language, numbers: Numbers) -> list[Line]:
    if numbers.share_upper is None:
        return []
    return [
        (
            say("Share who hear it (as if they always did)"),
            say(
                "at least {least}, at most {most}; estimate {estimate}",
                least=percent_down(numbers.share_lower, say=say),
                most=percent_up(numbers.share_upper, say=say),
                estimate=percent(numbers.share_estimate, say=say),
            ),
        )
    ]


def _size(say: Language, numbers: Numbers, said: str | None) -> list[Line]:
    found = numbers.question
    if found is None or found.dprime is None:
        return []
    text = decimal(found.dprime, say=say)
    if found.dprime_interval:
        text = f"{text} ({number_range(found.dprime_interval, say=say)})"
    lines = [(say(SIZE_WORDS.get(str(found.dprime_of), "Size d′")), text)]
    if found.dprime_of == UNLIKE and numbers.share_upper is not None:
        lines = [(say("Size d′"), say(NO_TYPICAL))]
    spreads = (
        (T_("listeners {sd}"), found.listener_sd),
        (T_("takes {sd}"), found.take_sd),
        (T_("excerpts {sd}"), found.excerpt_sd),
    )
    told = ", ".join(say(text, sd=decimal(sd, say=say)) for text, sd in spreads if sd is not None)
    if told:
        lines.append((say("Spread of d′ (standard deviation) over"), told))
    return [*lines, *([(say("About the size"), said)] if said else [])]


def _evidence(say: Language, plan: Plan, numbers: Numbers) -> list[Line]:
    if numbers.e_value is None:
        return []
    text = "{evidence} times" if plan.anytime else "{evidence} times; decides nothing in this plan"
    return [
        (
            say(
                "Evidence against guessing alone, 1 being none (anytime-valid: true whenever one "
                "looks)"
            ),
            say(text, evidence=evidence(numbers.e_value, say)),
        )
    ]


def _votes(say: Language, entry: ContrastVerdict) -> list[Line]:
    numbers = entry.numbers
    if not numbers.listeners:
        return []
    people = say.count(numbers.listeners, "{n} listener who count", "{n} listeners who count")
    lines = [(say("From"), people)]
    if numbers.votes_cast and numbers.votes_planned:
        term = (
            "Votes cast"
            if entry.role == "planted_check"
            else "Votes cast, those on retakes and of listeners left out included"
        )
        cast = say(
            "{cast} of {planned} planned",
            cast=count(numbers.votes_cast, say),
            planned=count(numbers.votes_planned, say),
        )
        lines.append((say(term), cast))
    return lines


def _p_only(say: Language, p: float) -> str:
    return f"p {p_value(p, say)}"


def _p(say: Language, p: float) -> str:
    return f"{chance_of(p, say)} ({_p_only(say, p)})"
