"""The planner: what a plan can be expected to yield."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

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
from panel.procedures.base import Procedure
from panel.procedures.catalogue import procedure
from panel.prose import listed
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


@dataclass(frozen=True)
class _Planned:
    """A contrast as the plan has it; `questions` share the plan's α."""

    plan: Plan
    contrast: Contrast
    questions: int

    @property
    def asked(self) -> bool:
        return self.contrast.role == "question"

    @cached_property
    def kind(self) -> Procedure:
        return procedure(self.contrast.procedure)

    @cached_property
    def sizes(self) -> tuple[int, ...]:
        """Takes of each condition."""
        return tuple(map(len, self.contrast.sides))

    @cached_property
    def cells(self) -> tuple[tuple[int, ...], ...]:
        """Takes by stratum and condition; empty where nothing is given."""
        return self.contrast.cells

    @property
    def alpha(self) -> float:
        return self.plan.alpha / self.questions if self.asked else self.plan.alpha

    @cached_property
    def each(self) -> float:
        """Votes across conditions of one listener, on average."""
        if not (self.asked and self.kind.round_robin):
            return self.contrast.votes_per_listener * 1.0
        across = given_across_share(self.cells) if self.cells else across_share(self.sizes)
        return self.contrast.votes_per_listener * across

    @property
    def votes(self) -> int:
        return math.floor(self.plan.listeners * self.each + 1e-9)

    @cached_property
    def barred(self) -> str:
        return _barred(self.contrast) if self.asked else ""

    @cached_property
    def at_one(self) -> float:
        """Probability of a right answer at d′ = 1."""
        return share_right(self.kind.code, dprime=PLAN_DPRIME)

    @cached_property
    def cost(self) -> AnytimeCost | None:
        if not self.plan.anytime:
            return None
        return anytime_cost(self.kind.code, self.at_one, self.alpha)

    def power(self, dprime: float) -> float:
        """Exact power against chance at the planned number of votes."""
        right = share_right(self.kind.code, dprime=dprime)
        return power(self.kind.code, self.votes, right, self.alpha, anytime_valid=self.plan.anytime)


def _contrast(plan: Plan, contrast: Contrast, questions: int) -> ContrastOutlook:
    planned = _Planned(plan, contrast, questions)
    needed = _needed(planned)
    attributable = _attributable(planned)
    limit_listeners = _limit_listeners(planned)
    attribution = _attribution(planned) if attributable else ()
    return ContrastOutlook(
        id=contrast.id,
        name=contrast.name,
        role=contrast.role,
        procedure=planned.kind.code,
        takes=planned.sizes,
        votes=planned.votes,
        alpha=planned.alpha,
        power=tuple((dprime, planned.power(dprime)) for dprime in DPRIMES),
        needed=needed,
        anytime=planned.cost,
        listeners_needed=_listeners_needed(planned, needed),
        limit_listeners=limit_listeners,
        least_p=_least_p(planned),
        attributable=attributable,
        attribution=attribution,
        sentences=_sentences(planned, attribution, limit_listeners) if planned.asked else (),
    )


def _needed(planned: _Planned) -> VotesNeeded:
    """Votes that beat chance at d′ = 1 in 80 % of studies."""
    if planned.cost is not None:
        return VotesNeeded(planned.cost.by_80, planned.cost.by_80)
    return votes_needed(planned.kind.code, planned.at_one, planned.alpha)


def _listeners_needed(planned: _Planned, needed: VotesNeeded) -> int | None:
    if not planned.asked or needed.first is None:
        return None
    return math.ceil(needed.first / planned.each - 1e-9)


def _limit_listeners(planned: _Planned) -> int | None:
    """Listeners for "not heard"; None where the procedure never shows it, or out of reach."""
    if not (planned.asked and planned.kind.shows_absence):
        return None
    votes_each = max(1, math.floor(planned.each))
    plan = planned.plan
    return _for_limit(planned.kind.chance, plan.limit, votes_each, plan.confidence, plan.anytime)


def _attributable(planned: _Planned) -> bool:
    """Whether any votes could make this a claim about the change."""
    if not planned.asked or planned.barred:
        return False
    alpha, questions, kind = planned.plan.alpha, planned.questions, planned.kind
    if planned.cells:
        return floor.given_reaches(planned.cells, alpha, questions, directed=kind.directed)
    if kind.round_robin:
        return floor.reaches(planned.sizes, alpha, questions, dose=planned.contrast.is_dose)
    return min(planned.sizes) >= LEAST_TAKES


def _least_p(planned: _Planned) -> float | None:
    """The smallest p for attribution; None where no labels are permuted."""
    if planned.cells:
        return 1 / floor.given_labelings(planned.cells, directed=planned.kind.directed)
    if planned.asked and planned.kind.round_robin and min(planned.sizes) > 1:
        return floor.least_p(planned.sizes, dose=planned.contrast.is_dose)
    return None


def _attribution(planned: _Planned) -> tuple[tuple[float, float], ...]:
    """Simulated power of attribution by the spread of takes; empty where it is not simulated."""
    kind, sizes, votes_each = planned.kind, planned.sizes, planned.contrast.votes_per_listener
    simulated = kind.curve is not None and kind.round_robin and len(sizes) == 2
    if not simulated or planned.cells or planned.plan.listeners * votes_each > MOST_SIM:
        return ()
    return _attributed(kind.code, sizes, planned.plan.listeners, votes_each, planned.alpha)


def _sentences(
    planned: _Planned,
    attribution: tuple[tuple[float, float], ...],
    limit_listeners: int | None,
) -> tuple[str, ...]:
    """What is said of a question before the lock."""
    cost = planned.cost
    said = (
        _power_sentence(planned),
        "" if cost is None else _anytime_sentence(cost, planned.each),
        _attribution_sentence(attribution),
        _given_sentence(planned) if planned.cells else "",
        planned.barred,
        _takes_sentence(planned),
        _absence_sentence(planned, limit_listeners),
    )
    return tuple(sentence for sentence in said if sentence)


def _power_sentence(planned: _Planned) -> str:
    return (
        f"{planned.votes} votes across conditions are planned; a difference of d′ = 1 then beats "
        f"chance with probability {planned.power(PLAN_DPRIME):.2f}."
    )


def _attribution_sentence(attribution: tuple[tuple[float, float], ...]) -> str:
    if not attribution:
        return ""
    (small, high), (large, low) = attribution
    return (
        f"That it is the change and not the takes is shown with probability {high:.2f} if "
        f"takes of one condition scatter by d′ {small:g}, {low:.2f} if by {large:g} "
        "(simulated). More takes raise this; more listeners do so only up to a point."
    )


def _takes_sentence(planned: _Planned) -> str:
    """What the number of takes forbids or allows; "" where nothing has to be said."""
    alpha, questions, kind = planned.plan.alpha, planned.questions, planned.kind
    if planned.cells:
        return floor.given_sentence(planned.cells, alpha, questions, directed=kind.directed)
    if kind.round_robin:
        return floor.floor_sentence(planned.sizes, alpha, questions, dose=planned.contrast.is_dose)
    return _reminder_sentence(planned.sizes)


def _absence_sentence(planned: _Planned, limit_listeners: int | None) -> str:
    """Why "not heard" cannot be said, or what it takes; "" where enough listeners are planned."""
    kind, listeners = planned.kind, planned.plan.listeners
    if kind.directed:
        return "Votes with a direction never show that nothing is heard; ask by ABX for that."
    if not kind.shows_absence:
        return f"{kind.name} never shows that nothing is heard; ask by ABX for that."
    if limit_listeners is not None and limit_listeners <= listeners:
        return ""
    count = "more than 2,000" if limit_listeners is None else f"about {limit_listeners}"
    return (
        f"To say “not heard by more than {planned.plan.limit:.0%}” when nobody hears it, it "
        f"takes {count} listeners; {listeners} are planned."
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


def _given_sentence(planned: _Planned) -> str:
    names = planned.plan.factor_names
    given = listed(names[key] for key in planned.contrast.given)
    ways = floor.given_labelings(planned.cells, directed=planned.kind.directed)
    return (
        f"Given {given}: only takes alike in {given} are put side by side, and labels are permuted "
        f"among these alone; p can come down to {1 / ways:.2g}."
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
