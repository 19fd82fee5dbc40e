"""The planner: what a plan can be expected to yield."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from panel.analysis.attribution.dealt_by_condition import LEAST_TAKES
from panel.design import floor
from panel.design.power.attribution import attribution_power
from panel.design.power.procedure_choice import DPRIMES, PLAN_DPRIME
from panel.design.power.votes import (
    AnytimeCost,
    VotesNeeded,
    across_share,
    anytime_cost,
    given_across_share,
    listeners_for_limit,
    people_for_limit,
    power,
    share_right,
    trial_seconds,
    votes_needed,
)
from panel.procedures.catalogue import procedure
from panel.study.plan import Contrast, Plan

# Welcome and consent, level, headphone check, practice and thanks: common practice, no source.
FRAME_SECONDS = 300
LONG_SESSION_MINUTES = 30
TAKE_SPREADS = (0.1, 0.25)
MOST_SIM = 20_000  # votes of one simulated study, to keep the page quick


@dataclass(frozen=True)
class ContrastOutlook:
    """What the planned votes of one contrast can be expected to yield.

    `votes`: those that count against chance (across conditions), on average at the planned end.
    `power`: exact power against chance at that number, by d′. `needed`: votes for 80 % at d′ = 1.
    `anytime`: votes until chance is beaten at d′ = 1, in a plan that may be looked at any time.
    `limit_listeners`: listeners to bring the "not heard" bound under the plan's limit with
    probability 0.8 if nobody hears (None: directed, or out of reach). `takes`: takes of each
    condition; `least_p` the smallest p for attribution (None with a take on its own);
    `attribution` its simulated power at d′ = 1 by the spread of takes (empty for more than two
    conditions, given other factors, and where the floor forbids it).
    """

    id: str
    name: str
    role: str
    procedure: str
    takes: tuple[int, ...]
    votes: int
    alpha: float
    power: tuple[tuple[float, float], ...]
    needed: VotesNeeded
    anytime: AnytimeCost | None
    listeners_needed: int | None
    limit_listeners: int | None
    least_p: float | None
    attributable: bool
    attribution: tuple[tuple[float, float], ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Outlook:
    """The plan's prospects: minutes and trials of one listener, each contrast, and advice."""

    trials: int
    minutes: float
    contrasts: tuple[ContrastOutlook, ...]
    advice: tuple[str, ...]


def minutes_per_listener(plan: Plan) -> float:
    """Rough minutes from the welcome to the thanks (common practice, no source)."""
    spans = [excerpt.end_s - excerpt.start_s for excerpt in plan.excerpts]
    mean = sum(spans) / len(spans)
    seconds = sum(
        contrast.votes_per_listener * trial_seconds(procedure(contrast.procedure), mean)
        for contrast in plan.served
    )
    return float(FRAME_SECONDS + seconds) / 60


def outlook(plan: Plan) -> Outlook:
    """What a checked plan can be expected to yield; deterministic."""
    questions = len(plan.questions)
    found = tuple(_contrast(plan, contrast, questions) for contrast in plan.served)
    return Outlook(plan.votes_per_listener, minutes_per_listener(plan), found, _advice(plan, found))


def _contrast(plan: Plan, contrast: Contrast, questions: int) -> ContrastOutlook:
    kind = procedure(contrast.procedure)
    sizes = tuple(map(len, contrast.sides))
    cells = contrast.cells
    asked = contrast.role == "question"
    round_robin = kind.round_robin
    alpha = plan.alpha / questions if asked else plan.alpha
    listeners = plan.listeners
    across = given_across_share(cells) if cells else across_share(sizes)
    each = contrast.votes_per_listener * (across if asked and round_robin else 1.0)
    votes = math.floor(listeners * each + 1e-9)
    looked_at = plan.anytime
    at_one = share_right(kind.code, dprime=PLAN_DPRIME)
    cost = anytime_cost(kind.code, at_one, alpha) if looked_at else None
    needed = (
        votes_needed(kind.code, at_one, alpha)
        if cost is None
        else VotesNeeded(cost.by_80, cost.by_80)
    )
    dose = contrast.is_dose
    barred = _barred(contrast) if asked else ""
    attributable = (
        asked
        and not barred
        and (
            floor.given_reaches(cells, plan.alpha, questions, directed=kind.directed)
            if cells
            else floor.reaches(sizes, plan.alpha, questions, dose=dose)
            if round_robin
            else min(sizes) >= LEAST_TAKES
        )
    )
    limit_listeners = None
    if asked and kind.shows_absence:
        limit_listeners = _for_limit(
            kind.chance,
            plan.limit,
            max(1, math.floor(each)),
            plan.confidence,
            looked_at,
        )
    attribution: tuple[tuple[float, float], ...] = ()
    simulated = (
        kind.curve is not None and round_robin and attributable and len(sizes) == 2 and not cells
    )
    if simulated and listeners * contrast.votes_per_listener <= MOST_SIM:
        attribution = _attributed(kind.code, sizes, listeners, contrast.votes_per_listener, alpha)
    sentences = []
    if asked:
        needed_listeners = None if needed.first is None else math.ceil(needed.first / each - 1e-9)
        sentences.append(
            f"{votes} votes across conditions are planned; a difference of d′ = 1 then beats "
            f"chance with probability "
            f"{power(kind.code, votes, at_one, alpha, anytime_valid=looked_at):.2f}."
        )
        if cost is not None:
            sentences.append(_anytime_sentence(cost, each))
        if attribution:
            (small, high), (large, low) = attribution
            sentences.append(
                f"That it is the change and not the takes is shown with probability {high:.2f} if "
                f"takes of one condition scatter by d′ {small:g}, {low:.2f} if by {large:g} "
                "(simulated). More takes raise this; more listeners do so only up to a point."
            )
        short = (
            floor.given_sentence(cells, plan.alpha, questions, directed=kind.directed)
            if cells
            else floor.floor_sentence(sizes, plan.alpha, questions, dose=dose)
            if round_robin
            else _reminder_sentence(sizes)
        )
        if cells:
            sentences.append(_given_sentence(plan, contrast, cells, directed=kind.directed))
        sentences += [text for text in (barred, short) if text]
        if kind.directed:
            sentences.append(
                "Votes with a direction never show that nothing is heard; ask by ABX for that."
            )
        elif not kind.shows_absence:
            sentences.append(f"{kind.name} never shows that nothing is heard; ask by ABX for that.")
        elif limit_listeners is None or limit_listeners > listeners:
            count = "more than 2,000" if limit_listeners is None else f"about {limit_listeners}"
            sentences.append(
                f"To say “not heard by more than {plan.limit:.0%}” when nobody hears it, it "
                f"takes {count} listeners; {listeners} are planned."
            )
    else:
        needed_listeners = None
    return ContrastOutlook(
        id=contrast.id,
        name=contrast.name,
        role=contrast.role,
        procedure=kind.code,
        takes=sizes,
        votes=votes,
        alpha=alpha,
        power=tuple(
            (
                d,
                power(
                    kind.code,
                    votes,
                    share_right(kind.code, dprime=d),
                    alpha,
                    anytime_valid=looked_at,
                ),
            )
            for d in DPRIMES
        ),
        needed=needed,
        anytime=cost,
        listeners_needed=needed_listeners,
        limit_listeners=limit_listeners,
        least_p=(
            1 / floor.given_labelings(cells, directed=kind.directed)
            if cells
            else floor.least_p(sizes, dose=dose)
            if asked and round_robin and min(sizes) > 1
            else None
        ),
        attributable=attributable,
        attribution=attribution,
        sentences=tuple(sentences),
    )


def _anytime_sentence(cost: AnytimeCost, each: float) -> str:
    """`each`: votes across conditions of one listener."""
    if cost.by_90 is None or cost.mean is None:
        return (
            f"Looked at after every vote, a difference of d′ = 1 beats chance within {cost.cap:,} "
            f"votes in {cost.reached:.0%} of studies: it takes too many for a plan like this."
        )
    return (
        "Looked at after every vote, a difference of d′ = 1 beats chance after "
        f"{cost.mean:.0f} votes on average, and in nine of ten studies by vote {cost.by_90:,}, "
        f"that is with {math.ceil(cost.by_90 / each - 1e-9):,} listeners."
    )


def _given_sentence(
    plan: Plan,
    contrast: Contrast,
    cells: tuple[tuple[int, ...], ...],
    *,
    directed: bool,
) -> str:
    names = plan.factor_names
    given = " and ".join(names[key] for key in contrast.given)
    return (
        f"Given {given}: only takes alike in {given} are put side by side, and labels are permuted "
        f"among these alone; p can come down to "
        f"{1 / floor.given_labelings(cells, directed=directed):.2g}."
    )


def _reminder_sentence(sizes: tuple[int, ...]) -> str:
    """What takes dealt by condition allow; "" where nothing has to be said."""
    if min(sizes) >= LEAST_TAKES:
        return (
            "Takes go by condition here, so they are taken as draws of their conditions: that is "
            "not exact, though shown to keep its level by simulation."
        )
    return (
        f"With a reminder it takes {LEAST_TAKES} takes of each condition to speak of the change; "
        "with these it can only be shown that the recordings differ."
    )


def _barred(contrast: Contrast) -> str:
    """Why no number of votes can make this a claim about the change; "" if nothing bars it."""
    if len(contrast.differs) > 1 or contrast.override_reason:
        return (
            "More than one thing may differ between the conditions, so the outcome cannot be "
            "attributed to one change: the verdict can only be about these recordings."
        )
    if contrast.unlogged:
        return (
            "Something is not logged on every take, hence may differ too: the verdict can only be "
            "about these recordings. Complete the chain log before the lock."
        )
    return ""


@lru_cache(maxsize=256)
def _for_limit(
    chance: float, limit: float, votes_each: int, confidence: float, anytime_valid: bool
) -> int | None:
    if votes_each == 1 and not anytime_valid:
        return people_for_limit(chance, limit, 0.8, confidence)
    return listeners_for_limit(
        np.random.default_rng(20),
        chance,
        limit,
        votes_each,
        0.8,
        confidence,
        anytime_valid=anytime_valid,
    )


@lru_cache(maxsize=256)
def _attributed(
    code: str, sizes: tuple[int, ...], listeners: int, votes_each: int, alpha: float
) -> tuple[tuple[float, float], ...]:
    return tuple(
        (
            spread,
            attribution_power(
                np.random.default_rng(20),
                code,
                sizes,
                PLAN_DPRIME,
                listeners=listeners,
                votes_each=votes_each,
                take_spread=spread,
                alpha=alpha,
                runs=200,
            ).power,
        )
        for spread in TAKE_SPREADS
    )


def _advice(plan: Plan, found: tuple[ContrastOutlook, ...]) -> tuple[str, ...]:
    advice = []
    if not any(contrast.role == "planted_check" for contrast in found):
        advice.append(
            "There is no planted check. Without one nobody can tell whether the panel was able "
            "to hear anything, and “not heard” cannot be concluded."
        )
    questions = [contrast for contrast in found if contrast.role == "question"]
    if len(questions) > 1:
        least = plan.alpha / len(questions)
        advice.append(
            f"{len(questions)} questions share α = {plan.alpha:g}: the smallest p must pass "
            f"{least:.2g}. Fewer questions make each answer cheaper."
        )
    minutes = minutes_per_listener(plan)
    if minutes > LONG_SESSION_MINUTES:
        advice.append(
            f"About {minutes:.0f} minutes for one listener is long; ears tire. Ask for fewer votes "
            "from more listeners."
        )
    if plan.anytime:
        advice.append(
            "Looking at any time costs some votes, and attribution to the change is decided only "
            "at the planned end."
        )
    procedures = {contrast.procedure for contrast in plan.served}
    asked = {contrast.procedure for contrast in questions}
    if procedures - asked:
        advice.append(
            "A check or control is put by another procedure than the questions: it stands in a "
            "block of its own, and says less about attention during the questions."
        )
    return tuple(advice)
