"""The plan: one JSON document that fixes takes, contrasts, schedule and rules before any vote.

The document's shape is described in DEVELOPERS.md. Its canonical bytes follow RFC 8785 (by the
rfc8785 package); its SHA-256 over them is what "locked" means.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import rfc8785

from panel.design.guard.check import guard
from panel.design.plan_check import FORMAT, factors_of, problems, takes_of
from panel.errors import BadInput
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog
from panel.study.plan import PlanExcerpt, PlanTake

__all__ = [
    "FORMAT", "Condition", "PlanContrast", "PlanExcerpt", "PlanTake", "build", "canonical",
    "check", "factors_of", "from_json", "problems", "sha256", "takes_of",
]  # fmt: skip


@dataclass(frozen=True)
class PlanContrast:
    """A contrast as it is proposed for the plan; what differs is found by the guard.

    `role` is "question", "retake_control" (free-standing) or "planted_check" (then `planted` is
    {"kind": …, "amount_db": …} and the second condition's takes end in "+" and a word, like
    "t01+check"). `scale` ("linear" or "log1p") goes with numeric factors: a trend over doses.
    For a preference: `ties` lets listeners prefer neither, `reasons` asks why in their own words,
    `attributes` are words to tick. `given`: factors the takes are crossed over; pairs are then
    formed among takes alike in them.
    """

    id: str
    name: str
    role: str
    procedure: str
    conditions: tuple[Condition, ...]
    votes_per_listener: int
    attribute: str | None = None
    scale: str | None = None
    level: str = "matched"
    planted: Mapping[str, Any] | None = None
    override_reason: str | None = None
    ties: bool = False
    reasons: bool = False
    attributes: tuple[str, ...] = ()
    given: tuple[str, ...] = ()


def build(
    *,
    title: str,
    question: str,
    factors: Sequence[Factor],
    takes: Sequence[PlanTake],
    excerpts: Sequence[PlanExcerpt],
    contrasts: Sequence[PlanContrast],
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
) -> dict[str, Any]:
    """The plan document, checked.

    Each question with more than one take of a condition gets its derived retake control,
    "<id>-retakes". The seed of the schedule is drawn unless given (32 hex digits).
    Raises BadInput with a sentence for everything that is wrong.
    """
    logs = [TakeLog(take.id, take.order, take.log, take.label) for take in takes]
    entries: list[dict[str, Any]] = []
    for contrast in contrasts:
        entry = _entry(contrast, logs, factors)
        entries.append(entry)
        round_robin = contrast.role == "question" and contrast.procedure != "reminder"
        if round_robin and max(len(c.takes) for c in contrast.conditions) > 1:
            entries.append(
                {
                    "id": f"{contrast.id}-retakes",
                    "name": f"Retakes: {contrast.name.strip()}",
                    "role": "retake_control",
                    "of": contrast.id,
                    "procedure": contrast.procedure,
                }
            )
    plan: dict[str, Any] = {
        "format": FORMAT,
        "study": {"title": title.strip(), "question": question.strip()},
        "alpha": alpha,
        "limit": limit,
        "confidence": confidence,
        "stop": {"kind": stop, "listeners": listeners},
        "exclusion": {
            "planted_least_right": planted_least_right,
            "headphones": headphones,
            "headphone_check": headphone_check,
        },
        "own_summary": own_summary,
        "schedule_seed": secrets.token_hex(16) if schedule_seed is None else schedule_seed,
        "factors": [
            {
                "id": factor.id,
                "name": factor.name,
                "kind": factor.kind,
                "unit": factor.unit,
                "tolerance": factor.tolerance,
            }
            for factor in factors
        ],
        "takes": [
            {
                "id": take.id,
                "label": take.label,
                "sha256": take.sha256,
                **({"channels": list(take.channels)} if take.channels else {}),
                "order": take.order,
                "log": {factor.id: take.log.get(factor.id) for factor in factors},
            }
            for take in sorted(takes, key=lambda take: take.id)
        ],
        "excerpts": [
            {"id": excerpt.id, "start_s": excerpt.start_s, "end_s": excerpt.end_s}
            for excerpt in excerpts
        ],
        "contrasts": entries,
    }
    check(plan)
    return plan


AS_WRITTEN = "Use the plan.json of the same export, as it was written."


def check(
    plan: Mapping[str, Any], *, hint: str = "Change the plan accordingly and try again."
) -> None:
    """Raise BadInput with every reason why this cannot be a plan; silent if it can."""
    found = problems(plan)
    if found:
        raise BadInput(" ".join(found), hint=hint)


def canonical(plan: Mapping[str, Any]) -> bytes:
    """The plan's canonical bytes (RFC 8785): UTF-8, sorted keys, shortest numbers, no spaces."""
    try:
        return rfc8785.dumps(dict(plan))
    except (rfc8785.CanonicalizationError, TypeError, ValueError) as error:
        raise BadInput(
            f"The plan holds something that has no canonical JSON: {error}.",
            hint="Numbers must be finite, and integers below 2^53.",
        ) from error


def sha256(plan: Mapping[str, Any]) -> str:
    """The SHA-256 of the canonical bytes, 64 hexadecimal digits: the plan's lock."""
    return hashlib.sha256(canonical(plan)).hexdigest()


def from_json(text: str | bytes) -> dict[str, Any]:
    """A checked plan from its JSON. Raises BadInput if it is no plan."""
    try:
        plan = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise BadInput(f"The plan is no readable JSON: {error}.", hint=AS_WRITTEN) from error
    if not isinstance(plan, dict):
        raise BadInput("The plan is no JSON object.", hint=AS_WRITTEN)
    check(plan, hint=AS_WRITTEN)
    return plan


def _entry(
    contrast: PlanContrast, takes: Sequence[TakeLog], factors: Sequence[Factor]
) -> dict[str, Any]:
    reason = (contrast.override_reason or "").strip() or None
    entry: dict[str, Any] = {
        "id": contrast.id,
        "name": contrast.name.strip(),
        "role": contrast.role,
        "procedure": contrast.procedure,
        "attribute": contrast.attribute.strip() if contrast.attribute else None,
        "factor": None,
        "scale": contrast.scale,
        "conditions": [
            {"label": c.label.strip(), "dose": c.dose, "takes": list(c.takes)}
            for c in contrast.conditions
        ],
        "level": contrast.level,
        "votes_per_listener": contrast.votes_per_listener,
        "differs": [],
        "unlogged": [],
        "override_reason": reason,
    }
    if contrast.procedure == "preference":
        entry["ties"], entry["reasons"] = contrast.ties, contrast.reasons
        entry["attributes"] = [" ".join(word.split()) for word in contrast.attributes]
    if contrast.role == "planted_check":
        entry["planted"] = dict(contrast.planted) if contrast.planted else None
    elif contrast.role == "retake_control":
        entry["of"] = None
    if contrast.role != "planted_check":
        result = guard(contrast.conditions, takes, factors, reason, contrast.given)
        if contrast.given:
            entry["given"] = list(result.given)
            entry["strata"] = [{"label": s.label, "takes": list(s.takes)} for s in result.strata]
        entry["factor"] = result.factor
        entry["differs"] = list(result.differs)
        entry["unlogged"] = list(result.unlogged)
    return entry
