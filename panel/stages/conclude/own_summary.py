"""What a listener may read of their own answers once voting has ended, and of nobody else's."""

from dataclasses import dataclass

import numpy as np

from panel.analysis.counts import exact
from panel.procedures.base import EMPTY
from panel.procedures.catalogue import procedure
from panel.stages.conclude import vote_table
from panel.stages.listeners.links import holder, locked_plan
from panel.store.session import Store
from panel.study.plan import Contrast, Plan
from panel.study.votes import UNMARKED, Ints, VoteTable


@dataclass(frozen=True)
class Counted:
    """Answers that were right or wrong. `guessing`: of 100 people who only guess, so many would
    get as many right or more (exact binomial)."""

    name: str
    planted: bool
    right: int
    trials: int
    by_guessing: float
    guessing: float


@dataclass(frozen=True)
class Leaning:
    """Answers that point to a condition: (its label, how often), in the plan's order.

    `guessing`: of 100 people who toss a coin, so many would lean as far one way or the other
    (sign test); None where there are not just two sides.
    """

    name: str
    attribute: str | None
    sides: tuple[tuple[str, int], ...]
    trials: int
    guessing: float | None


@dataclass(frozen=True)
class OwnSummary:
    """A closed study as one of its listeners may see it; `allowed` by the plan."""

    title: str
    answered: int
    allowed: bool
    parts: tuple[Counted | Leaning, ...]


def of(store: Store, code: str) -> OwnSummary | None:
    """The listener's own answers; None while the study is open or for one who never agreed.

    Raises NotFound for an unknown link, Gone for a revoked one.
    """
    with store.session() as s:
        listener, study = holder(s, code)
        if study.closed_at is None or study.locked_at is None or listener.consented_at is None:
            return None
        plan = locked_plan(s, study)
        own_code, study_id, title = listener.code, study.id, study.title
    if study_id is None:
        return None
    votes, _ = vote_table.vote_table(store, study_id)
    votes = votes.select(votes.by({own_code}))
    allowed = plan.own_summary
    return OwnSummary(title, len(votes), allowed, _parts(plan, votes) if allowed else ())


def _parts(plan: Plan, votes: VoteTable) -> tuple[Counted | Leaning, ...]:
    parts: list[Counted | Leaning] = []
    for contrast in plan.served:
        if contrast.role == "retake_control":
            continue
        own = votes.of_contrast(contrast.id)
        side_of = contrast.side_of
        # EMPTY, which is −1, finds the last.
        side = np.array([*(side_of.get(take, EMPTY) for take in own.takes), EMPTY], np.int64)
        kind = contrast.asked_by
        if kind.differ(own.slots) is None:  # else trials with one take twice are a part of it
            own = own.select(np.ptp(side[kind.pair(own.slots)], axis=1) > 0)
        if not len(own):
            continue
        marked = own.correct[own.correct != UNMARKED]
        if marked.size:
            parts.append(_counted(contrast, int(marked.sum()), marked.size))
        else:
            chosen = kind.chosen(own.slots, own.given)
            parts.append(_leaning(contrast, side[chosen[chosen != EMPTY]], len(own)))
    return tuple(parts)


def _counted(contrast: Contrast, right: int, trials: int) -> Counted:
    chance = procedure(contrast.procedure).chance
    return Counted(
        name=contrast.name,
        planted=contrast.role == "planted_check",
        right=right,
        trials=trials,
        by_guessing=trials * chance,
        guessing=100 * exact.p_greater(right, trials, chance),
    )


def _leaning(contrast: Contrast, chosen: Ints, trials: int) -> Leaning:
    """`chosen`: the condition of each vote that chose."""
    votes = np.bincount(chosen, minlength=len(contrast.conditions)).tolist()
    return Leaning(
        name=contrast.name,
        attribute=contrast.attribute,
        sides=tuple((condition.label, votes[i]) for i, condition in enumerate(contrast.conditions)),
        trials=trials,
        guessing=(
            100 * exact.p_two_sided(votes[0], chosen.size)
            if len(contrast.conditions) == 2
            else None
        ),
    )
