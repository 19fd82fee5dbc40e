"""Why the verdict is what it is, sentence by sentence."""

from collections.abc import Callable
from dataclasses import dataclass

from panel.analysis.wording import ranking
from panel.analysis.wording.phrases import (
    at_least,
    at_most,
    barrier_sentence,
    factor_names,
    factor_words,
    listeners,
    percent,
    questions,
)
from panel.analysis.wording.withdrawn import withdrew
from panel.marked import T_
from panel.prose import Language, listed, p_equals
from panel.study.plan import Contrast, Plan
from panel.study.shapes import NotTold
from panel.study.verdict import (
    Attribution,
    ContrastVerdict,
    Likings,
    QuestionNumbers,
    Remark,
    Verdict,
)


@dataclass(frozen=True)
class Told:
    """What a reason's sentence is made from."""

    say: Language
    plan: Plan
    verdict: Verdict
    contrast: Contrast
    entry: ContrastVerdict

    @property
    def found(self) -> QuestionNumbers:
        """Only where the contrast is a question."""
        assert self.entry.numbers.question is not None
        return self.entry.numbers.question

    @property
    def attribution(self) -> tuple[Attribution, str]:
        """What was tested, and its p."""
        found = self.found.attribution
        return found, p_equals(1.0 if found.p is None else found.p)


def reasons(
    say: Language, plan: Plan, verdict: Verdict, contrast: Contrast, entry: ContrastVerdict
) -> tuple[str, ...]:
    """The sentences of an entry's reasons, in their order."""
    told = Told(say, plan, verdict, contrast, entry)
    return tuple(text for remark in entry.reasons for text in SENTENCES[remark.code](told, remark))


def swapped_words(say: Language, remark: Remark) -> str:
    """Why votes far below chance give no share."""
    return say(
        "Fewer answers are right than guessing gives ({p}): answers may have been swapped, or the "
        "question misread. So nothing is said about how many can hear it.",
        p=p_equals(remark.number("p")),
    )


CHANCE = {
    # (ties, beaten, anytime)
    (False, True, False): "The votes beat chance, tested at the planned end (exact): {p}.",
    (False, False, False): "The votes do not beat chance, tested at the planned end (exact): {p}.",
    (False, True, True): "The votes beat chance, tested at any time (anytime-valid): {p}.",
    (False, False, True): "The votes do not beat chance, tested at any time (anytime-valid): {p}.",
    (True, True, False): (
        "The votes that chose beat chance, tested at the planned end (exact): {p}."
    ),
    (True, False, False): (
        "The votes that chose do not beat chance, tested at the planned end (exact): {p}."
    ),
    (
        True,
        True,
        True,
    ): "The votes that chose beat chance, tested at any time (anytime-valid): {p}.",
    (True, False, True): (
        "The votes that chose do not beat chance, tested at any time (anytime-valid): {p}."
    ),
}


def _chance(told: Told, remark: Remark) -> tuple[str, ...]:
    p = p_equals(remark.number("p"))
    if "p_holm" in remark.values:
        p = told.say(
            "{p}, {adjusted} over {questions}",
            p=p,
            adjusted=p_equals(remark.number("p_holm")),
            questions=questions(told.say, told.plan),
        )
    text = CHANCE[told.contrast.ties, told.entry.beats_chance, told.plan.anytime]
    return (told.say(text, p=p),)


def _swapped(told: Told, remark: Remark) -> tuple[str, ...]:
    return (swapped_words(told.say, remark),)


def _barrier(told: Told, remark: Remark) -> tuple[str, ...]:
    return (barrier_sentence(told.say, told.plan, told.contrast, told.entry),)


def _tested_once(told: Told, remark: Remark) -> tuple[str, ...]:
    text = "Whether the change is responsible is tested once, when {votes} votes are in."
    return (told.say(text, votes=told.entry.numbers.votes_planned),)


def _over_takes(told: Told, remark: Remark) -> tuple[str, ...]:
    text = (
        "Takes went by condition here, so they are taken as draws of their conditions: with each "
        "take left out in turn, a share right above one half is established over takes, {p}. "
        "Unlike relabelling in a round robin this is not exact."
        if remark.values["established"]
        else "Takes went by condition here, so they are taken as draws of their conditions: with "
        "each take left out in turn, a share right above one half is not established over takes, "
        "{p}. Unlike relabelling in a round robin this is not exact."
    )
    return (told.say(text, p=told.attribution[1]),)


def _relabelled(told: Told, remark: Remark) -> tuple[str, ...]:
    say, (found, p) = told.say, told.attribution
    ways = f"{found.labelings:,}"
    if told.contrast.given:
        text = (
            "Relabelling the takes among those alike in {given} (all of {ways} ways): {what}, {p}."
            if found.exact
            else "Relabelling the takes among those alike in {given} (a random draw from the "
            "{ways} ways): {what}, {p}."
        )
    elif found.exact:
        text = "Relabelling the takes (all of {ways} ways): {what}, {p}."
    else:
        text = "Relabelling the takes (a random draw from the {ways} ways): {what}, {p}."
    given = factor_names(say, told.plan, told.contrast.given)
    tested = say(text, given=given, ways=ways, what=_established(told, remark), p=p)
    return (tested, _largest(told)) if found.p_listeners is not None else (tested,)


def _largest(told: Told) -> str:
    """Of what the p of a directed claim is the largest."""
    found = told.found.attribution
    return told.say(
        "That is the largest of three, as both recordings and listeners are samples: over "
        "recordings {units}, over listeners (signs of their leanings flipped) {listeners}, over "
        "both at once (min F′) {both}.",
        units=p_equals(found.p_units or 0.0),
        listeners=p_equals(found.p_listeners or 0.0),
        both=p_equals(found.p_both if found.p_both is not None else 1.0),
    )


def _established(told: Told, remark: Remark) -> str:
    """What relabelling shows, or does not show, by itself."""
    if told.contrast.is_dose:
        what = ("a trend with {factor} is established by itself",
                "a trend with {factor} is not established by itself")  # fmt: skip
    elif told.contrast.directed:
        what = ("a lead of one condition beyond the spread of its takes and of listeners is "
                "established by itself",
                "a lead of one condition beyond the spread of its takes and of listeners is not "
                "established by itself")  # fmt: skip
    elif told.found.rates is not None:
        what = ("“different” said more often across conditions than of retakes is established by "
                "itself",
                "“different” said more often across conditions than of retakes is not established "
                "by itself")  # fmt: skip
    else:
        what = ("an excess over re-recording is established by itself",
                "an excess over re-recording is not established by itself")  # fmt: skip
    text = what[0] if remark.values["established"] else what[1]
    return told.say(text, factor=factor_words(told.say, told.plan, told.contrast))


def _both_together(told: Told, remark: Remark) -> tuple[str, ...]:
    p = told.found.p_heard_holm
    text = (
        "Both together, over {questions}, {p}: the claim holds."
        if remark.values["holds"]
        else "Both together, over {questions}, {p}: the claim does not hold."
    )
    return (
        told.say(
            text,
            questions=questions(told.say, told.plan),
            p=p_equals(1.0 if p is None else p),
        ),
    )


RETAKES = {
    # (trials of both kinds, beyond chance)
    (False, True): (
        "Two takes of the same condition were told apart in {right} of {trials}, more often than "
        "guessing explains, {p}."
    ),
    (False, False): (
        "Two takes of the same condition were told apart in {right} of {trials}, no more often "
        "than guessing explains, {p}."
    ),
    (True, True): (
        "Two takes of the same condition were called rightly in {right} of {trials}, more often "
        "than guessing explains, {p}."
    ),
    (True, False): (
        "Two takes of the same condition were called rightly in {right} of {trials}, no more often "
        "than guessing explains, {p}."
    ),
}


def _retakes(told: Told, remark: Remark) -> tuple[str, ...]:
    found = told.found
    return (
        told.say(
            RETAKES[found.rates is not None, bool(remark.values["beyond_chance"])],
            right=found.within_right,
            trials=found.within_trials,
            p=p_equals(1.0 if found.within_p is None else found.within_p),
        ),
    )


def _by_group(told: Told, remark: Remark) -> tuple[str, ...]:
    """The counts that one answer over several strata is made of."""
    say, contrast = told.say, told.contrast
    counts = [
        say("in {count} of {votes} with {label}", count=s.count, votes=s.votes, label=s.label)
        for s in told.found.by_stratum
        if s.votes
    ]
    only = say("These are counts only: no group is tested by itself.")
    label = contrast.conditions[-1].label
    text = contrast.asked_by.by_group
    return (say(text, label=label, counts=listed(counts, say), only=only),)


def _able(told: Told, remark: Remark) -> tuple[str, ...]:
    return (
        told.say(
            "At least {least} of such listeners hear it; the plan's limit is {limit}. All "
            "listeners count here, also those whom the plan excludes.",
            least=at_least(told.entry.numbers.share_lower or 0.0),
            limit=percent(told.say, told.plan.limit),
        ),
    )


def _at_most(told: Told, remark: Remark) -> tuple[str, ...]:
    text = (
        "At most {most} of such listeners hear it every time (bound over {listeners}), under the "
        "plan's limit of {limit}."
        if remark.values["under_limit"]
        else "At most {most} of such listeners hear it every time (bound over {listeners}), not "
        "under the plan's limit of {limit}."
    )
    return (
        told.say(
            text,
            most=at_most(told.entry.numbers.share_upper or 0.0),
            listeners=listeners(told.say, told.entry.numbers.listeners),
            limit=percent(told.say, told.plan.limit),
        ),
    )


def _no_check_heard(told: Told, remark: Remark) -> tuple[str, ...]:
    return (told.say("No planted check was heard, so “not heard” is not available."),)


def _no_absence(told: Told, remark: Remark) -> tuple[str, ...]:
    return (told.say(told.contrast.asked_by.no_absence),)


def _leanings(told: Told, remark: Remark) -> tuple[str, ...]:
    divided = told.found.divided
    assert divided is not None
    assert not isinstance(divided, NotTold)
    text = (
        "Listeners differ in how they lean: {p_listeners} against one common coin, {p_labels} "
        "against relabelled takes."
        if remark.values["differ"]
        else "Listeners are not shown to differ in how they lean: {p_listeners} against one common "
        "coin, {p_labels} against relabelled takes."
    )
    return (
        told.say(
            text,
            p_listeners=p_equals(divided.p_listeners),
            p_labels=p_equals(divided.p_labels),
        ),
    )


def _level(told: Told, remark: Remark) -> tuple[str, ...]:
    limit = told.plan.limit
    low, high = (percent(told.say, 0.5 + way * limit / 2) for way in (-1, 1))
    return (
        told.say(
            "The mean share lies surely within {low} to {high}, the band that the plan's limit of "
            "{limit} makes.",
            low=low,
            high=high,
            limit=percent(told.say, limit),
        ),
    )


def _of_votes(text: str) -> Callable[[Told, Remark], tuple[str, ...]]:
    def said(told: Told, remark: Remark) -> tuple[str, ...]:
        numbers = told.entry.numbers
        return (told.say(text, cast=numbers.votes_cast, planned=numbers.votes_planned),)

    return said


def _favourites(told: Told, remark: Remark) -> tuple[str, ...]:
    assert told.found.ranking is not None
    likings: Likings | None = told.found.ranking.listeners
    assert likings is not None
    return (ranking.favourites(told.say, likings),)


def _withdrew(told: Told, remark: Remark) -> tuple[str, ...]:
    return withdrew(told.say, told.plan, told.verdict)


SENTENCES: dict[str, Callable[[Told, Remark], tuple[str, ...]]] = {
    "chance": _chance,
    "swapped": _swapped,
    "barrier": _barrier,
    "tested_once": _tested_once,
    "over_takes": _over_takes,
    "relabelled": _relabelled,
    "both_together": _both_together,
    "retakes": _retakes,
    "by_group": _by_group,
    "able": _able,
    "at_most": _at_most,
    "no_check_heard": _no_check_heard,
    "no_absence": _no_absence,
    "leanings": _leanings,
    "level": _level,
    "votes_in": _of_votes(T_("{cast} of {planned} planned votes are in.")),
    "cut_table": _of_votes(
        T_(
            "{cast} of {planned} planned votes are in this table. Whether the others were left out "
            "after an outcome was seen cannot be told from it."
        )
    ),
    "ended_early": _of_votes(
        T_(
            "The study was ended early, at {cast} of {planned} planned votes, while sealed: the "
            "decision to end could not depend on the outcome."
        )
    ),
    "favourites": _favourites,
    "withdrew": _withdrew,
}
