"""The plan: one document that fixes takes, contrasts, schedule and rules before any vote.

The document's shape is described in DEVELOPERS.md. Its canonical bytes follow RFC 8785 (by the
rfc8785 package); its SHA-256 over them is what "locked" means.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import replace

from panel.design.guard.check import guard
from panel.design.plan_check import check
from panel.procedures.catalogue import PROCEDURES
from panel.study.documents import Json
from panel.study.factors import Factor, TakeLog
from panel.study.plan import Contrast, Exclusion, Plan, PlanExcerpt, PlanTake, Stop
from panel.study.plan_reading import typed
from panel.study.sampling import DrawnOrder

AS_WRITTEN = "Use the plan.json of the same export, as it was written."


def build(
    *,
    title: str,
    question: str,
    factors: Sequence[Factor],
    takes: Sequence[PlanTake],
    excerpts: Sequence[PlanExcerpt],
    contrasts: Sequence[Contrast],
    listeners: int,
    stop: str = "fixed",
    alpha: float = 0.05,
    limit: float = 0.25,
    confidence: float = 0.95,
    planted_least_right: int | None = None,
    headphones: str = "record",
    headphone_check: str = "antiphase",
    own_summary: bool = False,
    schedule_seed: str | None = None,
    carrier: str = "",
    draws: Sequence[DrawnOrder] = (),
) -> Plan:
    """The plan, checked, with the SHA-256 of its document.

    `contrasts` as they are asked: what differs in them, and the strata, are found by the guard.
    Each question with more than one take of a condition gets its derived retake control,
    "<id>-retakes". The seed of the schedule is drawn unless given (32 hex digits). `carrier`: what
    carries all specimens; `draws`: the orders of recording that were drawn by lot.
    Raises BadInput with a sentence for everything that is wrong.
    """
    logs = [take.chain for take in takes]
    plan = Plan(
        title=title.strip(),
        question=question.strip(),
        alpha=alpha,
        limit=limit,
        confidence=confidence,
        stop=Stop(stop, listeners),
        exclusion=Exclusion(planted_least_right, headphones, headphone_check),
        own_summary=own_summary,
        schedule_seed=secrets.token_hex(16) if schedule_seed is None else schedule_seed,
        factors=tuple(factors),
        takes=tuple(_with_whole_log(take, factors) for take in sorted(takes, key=lambda t: t.id)),
        excerpts=tuple(excerpts),
        contrasts=tuple(made for c in contrasts for made in _with_retakes(c, logs, factors)),
        carrier=" ".join(carrier.split()),
        draws=tuple(draws),
    )
    check(plan)
    return plan.as_built()


def checked(document: Json | bytes, *, hint: str = AS_WRITTEN) -> Plan:
    """A plan that could have been built here, from its document or that document's bytes.

    Raises BadInput, with a sentence for everything that is wrong or the path of what is missing.
    """
    plan = typed(document, hint=hint)
    check(plan, hint=hint)
    return plan


def _with_whole_log(take: PlanTake, factors: Sequence[Factor]) -> PlanTake:
    """The take with a value, or none, for each factor of the plan and nothing else."""
    return replace(take, log={factor.id: take.log.get(factor.id) for factor in factors})


def _with_retakes(
    contrast: Contrast, takes: Sequence[TakeLog], factors: Sequence[Factor]
) -> list[Contrast]:
    """The contrast as the plan has it, and its derived retake control where it has one."""
    made = _guarded(_tidied(contrast), takes, factors)
    if not _has_retakes(made):
        return [made]
    id_, name = f"{made.id}-retakes", f"Retakes: {made.name}"
    return [made, Contrast(id_, name, "retake_control", made.procedure, of=made.id)]


def _has_retakes(contrast: Contrast) -> bool:
    if contrast.role != "question" or contrast.procedure not in PROCEDURES:
        return False
    return contrast.asked_by.round_robin and max(map(len, contrast.sides)) > 1


def _tidied(contrast: Contrast) -> Contrast:
    """Texts as people meant them, and nothing that the contrast's procedure does not have."""
    own = contrast.options
    return replace(
        contrast,
        name=contrast.name.strip(),
        attribute=contrast.attribute.strip() if contrast.attribute else None,
        conditions=tuple(replace(c, label=c.label.strip()) for c in contrast.conditions),
        override_reason=(contrast.override_reason or "").strip() or None,
        ties="ties" in own and contrast.ties,
        reasons="reasons" in own and contrast.reasons,
        attributes=(
            tuple(" ".join(word.split()) for word in contrast.attributes)
            if "attributes" in own
            else ()
        ),
    )


def _guarded(contrast: Contrast, takes: Sequence[TakeLog], factors: Sequence[Factor]) -> Contrast:
    """The contrast with what the guard finds in the chain logs."""
    if contrast.role == "planted_check":
        return replace(contrast, factor=None, differs=(), unlogged=(), given=(), strata=())
    found = guard(contrast.conditions, takes, factors, contrast.override_reason, contrast.given)
    return replace(
        contrast,
        factor=found.factor,
        differs=found.differs,
        unlogged=found.unlogged,
        given=found.given if contrast.given else (),
        strata=found.strata if contrast.given else (),
    )
