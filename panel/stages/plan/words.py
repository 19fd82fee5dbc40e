"""A plan in plain words: what is asked, of whom, by which rule. Built from the document alone."""

from dataclasses import dataclass

import numpy as np

from panel.analysis.counts.check_rule import MADE_FOR, check_rule
from panel.design.guard.scope_words import Recorded, reach
from panel.procedures.catalogue import in_order
from panel.prose import either, listed, percent, plural
from panel.study.plan import Contrast, Plan

CHECK_WORDS = {
    "antiphase": "the quietest of three tones, after Woods and others 2017",
    "huggins": "a pitch that only two ears together hear, after Milne and others 2021",
}


@dataclass(frozen=True)
class Section:
    heading: str
    sentences: tuple[str, ...]


def in_words(plan: Plan) -> tuple[Section, ...]:
    """The whole plan, so that somebody who reads no JSON knows what is being fixed."""
    return (
        Section("What is asked", (plan.question, *_questions(plan))),
        Section("What a claim can speak of", _scopes(plan)),
        Section("How it is known that the panel listens", _controls(plan)),
        Section("What is heard", _material(plan)),
        Section("When it ends", _stop(plan)),
        Section("What will be claimed", _claims(plan)),
        Section("Whose votes count", _exclusion(plan)),
    )


def contrast_sentence(plan: Plan, contrast: Contrast) -> str:
    """What one contrast puts to the listeners, in a sentence."""
    kind = contrast.asked_by
    labels = [f"“{side.label}”" for side in contrast.conditions]
    counts = [len(side.takes) for side in contrast.conditions]
    sides = listed(
        f"{label} ({_takes(count)})" for label, count in zip(labels, counts, strict=True)
    )
    by = kind.name
    if contrast.attribute:
        by += f", asking which has more {contrast.attribute}"
    if contrast.ties:
        by += ", with “neither” allowed"
    if contrast.asks_why:
        by += ", asking for reasons"
    level = ", at the level they were recorded with" if contrast.level == "as_recorded" else ""
    return (
        f"{contrast.name}: {sides}, by {by}{level}, "
        f"{plural(contrast.votes_per_listener, 'vote')} from each listener."
    )


def _questions(plan: Plan) -> list[str]:
    found = []
    names = plan.factor_names
    for contrast in plan.questions:
        found.append(contrast_sentence(plan, contrast))
        if contrast.override_reason:
            differs = listed(names[key] for key in contrast.differs)
            found.append(
                f"Its conditions differ in {differs}; asked all the same, because: "
                f"{contrast.override_reason} The verdict cannot be attributed to one change."
            )
        if contrast.given:
            given = listed(names[key] for key in contrast.given)
            groups = "; ".join(contrast.strata_labels)
            found.append(
                f"This is asked given {given}: only takes alike in {given} are put side by side "
                f"({groups}), and their labels are permuted among these alone. It is one answer "
                "over all groups together, not one for each."
            )
        if contrast.unlogged:
            unlogged = listed(names[key] for key in contrast.unlogged)
            found.append(f"Not logged on every take, and named with the verdict: {unlogged}.")
        if contrast.scale:
            scale = "log(1 + dose)" if contrast.scale == "log1p" else "the dose itself"
            found.append(f"Tested as a trend over {scale}, before its parts.")
    return found


def _scopes(plan: Plan) -> tuple[str, ...]:
    """How far each question's claim can reach, and what keeps it from reaching further; what holds
    for several is said once."""
    recorded = Recorded(
        plan.logs,
        plan.draws,
        plan.carrier,
        {take.id: " ".join([take.sha256, *map(str, sorted(take.channels))]) for take in plan.takes},
    )
    names = {factor.id: factor for factor in plan.factors}
    found = []
    for question in plan.questions:
        told = reach(
            question.conditions,
            recorded,
            alpha=plan.alpha,
            is_dose=question.is_dose,
            factor=names.get(question.factor or ""),
            strata=question.stratum_of,
        )
        found.append(f"{question.name}: {told.sentence}")
        found += [remark.finding for remark in told.remarks]
    drawn = [f"“{draw.session}”: {', '.join(draw.order)}" for draw in plan.draws]
    if drawn:
        found.append(f"Orders of recording that were drawn by lot: {'; '.join(drawn)}.")
    return tuple(dict.fromkeys(found))


def _controls(plan: Plan) -> tuple[str, ...]:
    found = []
    for contrast in plan.contrasts:
        if contrast.of is not None:
            name = plan.contrast(contrast.of).name
            found.append(
                f"Retakes: in the same round robin as “{name}”, pairs of takes of one condition "
                "show what mere re-recording sounds like."
            )
        elif contrast.role != "question":
            found.append(contrast_sentence(plan, contrast))
    if not plan.planted_checks:
        found.append("No difference is planted, so “not heard” cannot be concluded.")
    return tuple(found)


def _material(plan: Plan) -> tuple[str, ...]:
    spans = listed(f"{e.start_s:g}–{e.end_s:g} s" for e in plan.excerpts)
    return (
        f"{plural(len(plan.takes), 'take')}, each named by the SHA-256 of its original file, "
        "with the chain log as it stands.",
        f"{plural(len(plan.excerpts), 'excerpt')}: {spans}.",
        "Who hears which pair is dealt from a seed that the plan names, without regard to "
        "condition; what a sample is gets drawn anew for each trial.",
    )


def _stop(plan: Plan) -> tuple[str, ...]:
    listeners = plural(plan.listeners, "listener")
    if not plan.anytime:
        return (
            f"Planned are {listeners}. Outcomes stay sealed from everybody, you too, until you "
            "end the voting; nothing is looked at before.",
        )
    return (
        f"Planned are {listeners}. The test against chance stays valid whenever it is looked at; "
        "whether a difference is due to the change is decided only when the planned votes are in.",
    )


RELABELLED = "the takes' labels, put on them at random, would seldom do as well"
LEANING = (
    "only if votes across conditions lean one way beyond chance, either way counting, and "
    f"{RELABELLED}"
)


def _claims(plan: Plan) -> tuple[str, ...]:
    questions = len(plan.questions)
    asked = in_order({c.procedure for c in plan.questions})
    found = []
    if any(kind.shows_absence for kind in asked):
        found += [
            f"“Heard” only if the votes beat guessing and {RELABELLED}.",
            f"“Not heard” only if at most {plan.limit:.0%} of listeners can hear it every "
            f"time, with {plan.confidence:.0%} confidence, and the planted check was heard.",
        ]
    found += [
        kind.claimed.format(leaning=LEANING, relabelled=RELABELLED)
        for kind in asked
        if kind.claimed
    ]
    if asked:
        together = f", over all {questions} questions together (Holm)" if questions > 1 else ""
        claim = either(sorted({f"“{kind.earns[0]}”" for kind in asked}))
        divided = any("divided" in kind.earns for kind in asked)
        apart = "; so, by itself, does “divided”" if divided else ""
        found.append(
            f"Where a change does nothing, {claim} comes out in at most {100 * plan.alpha:g}% "
            f"of studies{together}, α = {plan.alpha:g}{apart}. That holds for takes that were "
            "recorded in mixed order."
        )
    single = [c.name for c in plan.questions if min(map(len, c.sides)) < 2]
    if single:
        found.append(
            f"With one take on a side, {listed(f'“{name}”' for name in single)} can show that "
            "these recordings differ, and nothing about the change."
        )
    found.append("Otherwise: not enough yet, or one of the verdicts between, with its reasons.")
    return tuple(found)


def _exclusion(plan: Plan) -> tuple[str, ...]:
    least = plan.planted_least_right
    found = [
        "Everybody's votes count."
        if least is None
        else f"Listeners with fewer than {least} planted checks right are left out; the verdict "
        "says whether that changes it.",
        *_check_rule(plan),
    ]
    check = f"The headphone check ({CHECK_WORDS[plan.exclusion.headphone_check]})"
    if plan.exclude_by_headphones:
        found.append(f"{check} leaves out whoever fails it.")
    else:
        found.append(f"{check} is recorded, and excludes nobody.")
    if plan.own_summary:
        found.append("After the end each listener may see how their own answers went.")
    return tuple(found)


def _check_rule(plan: Plan) -> tuple[str, ...]:
    """What the rule of checks lets through, where all checks are put in one way; and what limits
    follow from."""
    least, ways = plan.planted_least_right, {check.procedure for check in plan.planted_checks}
    if least is None or len(ways) != 1:
        return ()
    kind = plan.planted_checks[0].asked_by
    if kind.curve is None:
        return ()
    hears = float(kind.curve.probability(np.array([MADE_FOR]))[0])
    of = sum(check.votes_per_listener for check in plan.planted_checks)
    rule = check_rule(least, of, kind.chance, hears)
    return (
        f"Whoever guesses gets {least} of {of} right in {percent(rule.guessing)} of cases, whoever "
        f"hears the check well (d′ {MADE_FOR:g}) in {percent(rule.hearing)}.",
        "“At least” is said of all who voted; “at most” is the larger limit, with and without "
        "those who are left out.",
    )


def _takes(count: int) -> str:
    return plural(count, "take")
