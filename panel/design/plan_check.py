"""What a plan must fulfil: each failing comes back as a sentence, none is raised.

What each contrast must fulfil is in panel.design.contrast_check.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from panel.design.contrast_check import MOST_TRIALS, contrast_problems
from panel.design.ranges import whole, within
from panel.errors import BadInput
from panel.study.plan import HEADPHONE_CHECKS, Exclusion, Plan, PlanExcerpt
from panel.study.sampling import DrawnOrder, plain

LONGEST_NAME = 80  # of a specimen or a session
LONGEST_CARRIER = 200
ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.+-]{0,63}")


def check(plan: Plan, *, hint: str = "Change the plan accordingly and try again.") -> None:
    """Raise BadInput with every reason why this cannot be a plan; silent if it can."""
    found = problems(plan)
    if found:
        raise BadInput(" ".join(found), hint=hint)


def problems(plan: Plan) -> tuple[str, ...]:
    """Everything that keeps this from being a plan, as sentences."""
    found: list[str] = []
    try:
        for sentence in _all(plan):
            found.append(sentence)
    except BadInput as error:
        found.append(error.message)
    return tuple(dict.fromkeys(found))


def _all(plan: Plan) -> Iterator[str]:
    yield from _study(plan)
    yield from _shares(plan)
    yield from _stop(plan)
    yield from _exclusion(plan)
    yield from _ids("factors", (factor.id for factor in plan.factors))
    yield from _ids("takes", (take.id for take in plan.takes))
    yield from _ids("excerpts", plan.excerpt_ids)
    yield from _ids("contrasts", (contrast.id for contrast in plan.contrasts))
    yield from _excerpts(plan.excerpts)
    yield from _specimens(plan)
    yield from _draws(plan.draws)
    if not plan.takes:
        yield "The plan has no takes. Upload some."
    if not plan.questions:
        yield "The plan asks no question. Name at least one contrast to be told apart."
    for contrast in plan.contrasts:
        yield from contrast_problems(plan, contrast)
    if plan.votes_per_listener > MOST_TRIALS:
        yield (
            f"{plan.votes_per_listener} votes from each listener are too many. Ask for "
            f"{MOST_TRIALS} at most."
        )


def _study(plan: Plan) -> Iterator[str]:
    if not plan.title.strip():
        yield "The study has no title."
    if not plan.question.strip():
        yield "The study does not say in words what is asked."
    if not re.fullmatch(r"[0-9a-f]{32}", plan.schedule_seed):
        yield "The schedule's seed must be 32 hexadecimal digits."


def _shares(plan: Plan) -> Iterator[str]:
    if not within(plan.alpha, 0.0001, 0.2):
        yield "The chance of a false “heard” (α) must lie between 0.0001 and 0.2; 0.05 is usual."
    if not within(plan.limit, 0.01, 0.9):
        yield "The limit for “not heard” must be a share between 0.01 and 0.9, such as 0.25."
    if not within(plan.confidence, 0.5, 0.999):
        yield "The confidence of intervals must lie between 0.5 and 0.999; 0.95 is usual."


def _stop(plan: Plan) -> Iterator[str]:
    if plan.stop.kind not in ("fixed", "anytime"):
        yield "The stopping rule is either “fixed” or “anytime”."
    if not whole(plan.stop.listeners, 1, 1_000_000):
        yield "The number of listeners must be a whole number, one at least."


def _exclusion(plan: Plan) -> Iterator[str]:
    rule: Exclusion = plan.exclusion
    least, available = rule.planted_least_right, 0
    available = sum(check.votes_per_listener for check in plan.planted_checks)
    if least is not None and not whole(least, 1, available):
        yield (
            f"Listeners cannot be asked for {least} planted checks right: the plan gives each "
            f"{available}."
        )
    if rule.headphones not in ("record", "exclude"):
        yield "A failed headphone check is either recorded or excludes."
    if rule.headphone_check not in HEADPHONE_CHECKS:
        yield f"The headphone check is one of {', '.join(HEADPHONE_CHECKS)}."


def _ids(what: str, names: Iterable[str]) -> Iterator[str]:
    seen: set[str] = set()
    for name in names:
        if not ID.fullmatch(name):
            yield f"“{name}” among the {what} is no usable id: letters, digits, - and _ only."
        elif name in seen:
            yield f"The id {name} stands twice among the {what}."
        else:
            seen.add(name)


def _excerpts(excerpts: tuple[PlanExcerpt, ...]) -> Iterator[str]:
    if not excerpts:
        yield "The plan has no excerpts. Mark at least one."
    for excerpt in excerpts:
        start, end = excerpt.start_s, excerpt.end_s
        if not (within(start, 0, 1e6) and within(end, 0, 1e6) and start < end):
            yield f"Excerpt {excerpt.id} must begin at or after 0 s and end after it begins."


def _specimens(plan: Plan) -> Iterator[str]:
    if len(plan.carrier) > LONGEST_CARRIER:
        yield f"What carries the specimens is named in {LONGEST_CARRIER} characters at most."
    for take in plan.takes:
        if max(len(take.specimen), len(take.session)) > LONGEST_NAME:
            yield (
                f"Take {take.label or take.id}: specimen and session are named in {LONGEST_NAME} "
                "characters at most."
            )


def _draws(draws: tuple[DrawnOrder, ...]) -> Iterator[str]:
    seen: set[str] = set()
    for draw in draws:
        session = plain(draw.session)
        if not session:
            yield "An order was drawn for a session without a name. Name it."
        elif session in seen:
            yield f"Two orders were drawn for the session “{draw.session}”. Only one can hold."
        if not draw.order or not all(map(plain, draw.order)):
            yield (
                f"The order drawn for the session “{draw.session}” does not name its specimens. "
                "Name each."
            )
        seen.add(session)
