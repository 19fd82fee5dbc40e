"""What a listener may read of their own answers once voting has ended, and of nobody else's."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from panel.analysis.counts import exact
from panel.procedures.catalogue import procedure
from panel.stages.conclude import vote_table
from panel.stages.listeners.links import holder, locked_plan
from panel.store.session import Store
from panel.study.plan import Contrast, Plan
from panel.study.votes import Vote

BOTH_KINDS = ("same_different",)  # of which trials with one take twice are a part


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
    votes = [v for v in vote_table.vote_table(store, study_id)[0] if v.listener == own_code]
    allowed = plan.own_summary
    return OwnSummary(title, len(votes), allowed, _parts(plan, votes) if allowed else ())


def _parts(plan: Plan, votes: Sequence[Vote]) -> tuple[Counted | Leaning, ...]:
    parts: list[Counted | Leaning] = []
    for contrast in plan.served:
        if contrast.role == "retake_control":
            continue
        own = [v for v in votes if v.contrast == contrast.id]
        side = contrast.side_of
        if contrast.procedure not in BOTH_KINDS:
            own = [v for v in own if len({side[take] for take in v.slots}) > 1]
        if not own:
            continue
        marked = [v.correct for v in own if v.correct is not None]
        if marked:
            parts.append(_counted(contrast, sum(marked), len(marked)))
        else:
            parts.append(_leaning(contrast, own, side))
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


def _leaning(contrast: Contrast, votes: Sequence[Vote], side: Mapping[str, int]) -> Leaning:
    chosen = [side[v.chosen] for v in votes if v.answer in ("one", "two", "three")]
    return Leaning(
        name=contrast.name,
        attribute=contrast.attribute,
        sides=tuple(
            (condition.label, chosen.count(i)) for i, condition in enumerate(contrast.conditions)
        ),
        trials=len(votes),
        guessing=(
            100 * exact.p_two_sided(chosen.count(0), len(chosen))
            if len(contrast.conditions) == 2
            else None
        ),
    )
