"""The plan: rules, what they cost, and the lock.

While a draft the plan is built anew from the study each time it is shown, so that what is
locked is what was shown: the page hands back the SHA-256 it showed. Locked, the canonical bytes
never change again.
"""

import json
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session

from panel.design import plan as design
from panel.design.plan_check import HEADPHONE_CHECKS
from panel.design.power import planner, prospects
from panel.design.power.planner import ContrastOutlook, Outlook
from panel.design.power.procedure_choice import DPRIMES
from panel.design.power.prospects import Prospects
from panel.design.power.votes import power_curve, share_right
from panel.errors import BadInput, Conflict, NotFound
from panel.stages.clips import prepare
from panel.stages.contrasts.rows import conditions_of, contrasts_in
from panel.stages.rows import (
    clips_missing,
    excerpts_in,
    factors_in,
    plan_row,
    takes_in,
)
from panel.stages.studies import unlocked
from panel.store.session import Store, write_first
from panel.store.tables import Study

POINTS = 60

RULES: Mapping[str, Any] = {
    "alpha": 0.05,
    "limit": 0.25,
    "stop_kind": "fixed",
    "listeners": 40,
    "planted_least_right": None,
    "headphones": "record",
    "headphone_check": "antiphase",
    "own_summary": False,
}


@dataclass(frozen=True)
class Draft:
    """The plan as it stands. `problems` are sentences on what keeps it from being locked; while
    there are any, `document`, `sha256` and `outlook` are None."""

    rules: Mapping[str, Any]
    problems: tuple[str, ...]
    document: dict[str, Any] | None
    sha256: str | None
    outlook: Outlook | None


def draft(store: Store, study_id: int) -> Draft:
    """The plan to be, or what keeps it from being one."""
    _begin(store, study_id)
    with store.session() as s:
        rules = _rules(s, study_id)
        found = _obstacles(s, study_id)
        document = None
        if not found:  # else the document would only lack the same things
            try:
                document = _build(s, study_id)
            except BadInput as error:
                found.append(error.message)
    if found or document is None:
        return Draft(rules, tuple(dict.fromkeys(found)), None, None, None)
    return Draft(rules, (), document, design.sha256(document), planner.outlook(document))


@dataclass(frozen=True)
class Curve:
    """Exact power against chance over votes across conditions, for one question: one line for
    each d′, its points (votes, power)."""

    outlook: ContrastOutlook
    lines: tuple[tuple[float, tuple[tuple[int, float], ...]], ...]


def endings(document: dict[str, Any], *, simulate: bool) -> Prospects | None:
    """How the study ends under a few truths; None unless `simulate`, or known from before.

    Raises BadInput where it is asked for and the plan cannot be simulated.
    """
    return prospects.prospects(document) if simulate else prospects.known(document)


def power_curves(outlook: Outlook) -> tuple[Curve, ...]:
    """A curve for each question of the plan, as far as half again the planned votes."""
    curves = []
    for contrast in outlook.contrasts:
        if contrast.role != "question" or contrast.votes < 1:
            continue
        last = max(20, contrast.votes * 3 // 2, min(contrast.needed.first or 0, 4 * contrast.votes))
        steps = sorted(
            {max(1, last * n // POINTS) for n in range(1, POINTS + 1)} | {contrast.votes}
        )
        lines = tuple(
            (
                dprime,
                tuple(
                    power_curve(
                        contrast.procedure,
                        share_right(contrast.procedure, dprime=dprime),
                        contrast.alpha,
                        steps,
                        anytime_valid=contrast.anytime is not None,
                    )
                ),
            )
            for dprime in DPRIMES
        )
        curves.append(Curve(contrast, lines))
    return tuple(curves)


def set_rule(
    store: Store,
    study_id: int,
    *,
    alpha: float = RULES["alpha"],
    limit: float = RULES["limit"],
    stop_kind: str = RULES["stop_kind"],
    listeners: int = RULES["listeners"],
    planted_least_right: int | None = None,
    headphones: str = RULES["headphones"],
    headphone_check: str = RULES["headphone_check"],
    own_summary: bool = RULES["own_summary"],
) -> None:
    """Set the rules of the plan. Raises BadInput for what no plan may say, Conflict once locked."""
    if not 0.0001 <= alpha <= 0.2:
        raise BadInput(
            "The chance of a false “heard” (α) must lie between 0.0001 and 0.2.",
            hint="0.05 is usual.",
        )
    if not 0.01 <= limit <= 0.9:
        raise BadInput(
            "The limit for “not heard” must be a share between 1 and 90 %.", hint="25 % is usual."
        )
    if stop_kind not in ("fixed", "anytime"):
        raise BadInput("The stopping rule is either a fixed number, or valid at any time.")
    if isinstance(listeners, bool) or not 1 <= listeners <= 10_000:
        raise BadInput("The number of listeners must be a whole number from 1 to 10,000.")
    if planted_least_right is not None and not 1 <= planted_least_right <= 400:
        raise BadInput(
            "The planted checks to be right must be one at least.",
            hint="Leave it empty to exclude nobody.",
        )
    if headphones not in ("record", "exclude"):
        raise BadInput("A failed headphone check is either recorded, or excludes.")
    if headphone_check not in HEADPHONE_CHECKS:
        raise BadInput("The headphone check is the quietest of three tones, or a hidden pitch.")
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        row = plan_row(s, study_id)
        row.document = {
            **row.document,
            "rules": {
                "alpha": float(alpha),
                "limit": float(limit),
                "stop_kind": stop_kind,
                "listeners": int(listeners),
                "planted_least_right": planted_least_right,
                "headphones": headphones,
                "headphone_check": headphone_check,
                "own_summary": bool(own_summary),
            },
        }
        row.document.setdefault("schedule_seed", secrets.token_hex(16))
        s.add(row)
        s.commit()


def lock(store: Store, study_id: int, expected_sha256: str | None = None) -> str:
    """Lock the plan and return its SHA-256; clips that are stale are prepared first.

    Raises BadInput with every reason why the study is not ready, Conflict when it is locked
    already or, given `expected_sha256`, when the plan is another than the one that was shown.
    """
    _begin(store, study_id)
    with store.session() as s:
        unlocked(s, study_id)
        obstacles = _obstacles(s, study_id, clips=False)
        if obstacles:
            raise BadInput(" ".join(obstacles), hint="Mend that, then lock the plan.")
        _build(s, study_id)
        stale = clips_missing(s, study_id) != "none"
    if stale:
        prepare.prepare(store, study_id)
    with store.session() as s:
        write_first(s)
        study = unlocked(s, study_id)
        if clips_missing(s, study_id) != "none":
            raise Conflict(
                "Takes, excerpts or checks were changed while the plan was being locked.",
                hint="Read the plan once more, then lock it.",
            )
        document = _build(s, study_id)
        canonical, sha256 = design.canonical(document), design.sha256(document)
        if expected_sha256 is not None and expected_sha256 != sha256:
            raise Conflict(
                "The plan has changed since it was shown to you.",
                hint="Read it once more, then lock it.",
            )
        row = plan_row(s, study_id)
        row.canonical, row.sha256, row.locked_at = canonical, sha256, store.now()
        study.locked_at = row.locked_at
        s.add(row)
        s.add(study)
        s.commit()
    return sha256


def document(store: Store, study_id: int) -> dict[str, Any]:
    """The locked plan. Raises NotFound before the lock."""
    found: dict[str, Any] = json.loads(canonical(store, study_id))
    return found


def canonical(store: Store, study_id: int) -> bytes:
    """The locked plan's bytes, over which its SHA-256 is taken."""
    with store.session() as s:
        row = plan_row(s, study_id)
    if row.canonical is None:
        raise NotFound("The plan of this study is not locked yet.", hint="Lock it first.")
    return row.canonical


def _begin(store: Store, study_id: int) -> None:
    """Draw the schedule's seed once, so that the draft's SHA-256 stays the same until a change."""
    with store.session() as s:
        if "schedule_seed" in plan_row(s, study_id).document:
            return
    with store.session() as s:
        write_first(s)
        row = plan_row(s, study_id)
        if "schedule_seed" not in row.document:
            row.document = {**row.document, "schedule_seed": secrets.token_hex(16)}
            s.add(row)
            s.commit()


def _rules(session: Session, study_id: int) -> Mapping[str, Any]:
    return {**RULES, **plan_row(session, study_id).document.get("rules", {})}


def _obstacles(session: Session, study_id: int, *, clips: bool = True) -> list[str]:
    """What keeps the plan from being locked, beyond what the plan document itself would show."""
    takes = takes_in(session, study_id)
    found = []
    if len(takes) < 2:
        found.append("There are fewer than two takes.")
    if not excerpts_in(session, study_id):
        found.append("No excerpt is marked.")
    if not any(contrast.role == "question" for contrast in contrasts_in(session, study_id)):
        found.append("Nothing is asked yet: name a contrast.")
    places: dict[int, str] = {}
    for take in takes:
        if take.recorded_order in places:
            found.append(
                f"Takes {places[take.recorded_order]} and {take.label} have the same place in the "
                "order of recording."
            )
        places[take.recorded_order] = take.label
    if clips and not found and clips_missing(session, study_id) != "none":
        found.append("The clips have to be prepared, or prepared again.")
    return found


def _build(session: Session, study_id: int) -> dict[str, Any]:
    study = session.get(Study, study_id)
    if study is None:
        raise NotFound("There is no such study.")
    rules = _rules(session, study_id)
    return design.build(
        title=study.title,
        question=study.question,
        factors=factors_in(session, study_id),
        takes=[
            design.PlanTake(
                id=take.key,
                label=take.label,
                sha256=take.sha256,
                order=take.recorded_order,
                log=take.log,
                channels=tuple(take.kept_channels),
            )
            for take in takes_in(session, study_id)
        ],
        excerpts=[
            design.PlanExcerpt(id=e.key, start_s=e.start_s, end_s=e.end_s)
            for e in excerpts_in(session, study_id)
        ],
        contrasts=[
            design.PlanContrast(
                id=contrast.key,
                name=contrast.document["name"],
                role=contrast.role,
                procedure=contrast.document["procedure"],
                conditions=conditions_of(contrast.document),
                votes_per_listener=contrast.document["votes_per_listener"],
                attribute=contrast.document["attribute"],
                scale=contrast.document["scale"],
                level=study.level,
                planted=contrast.document.get("planted"),
                override_reason=contrast.document["override_reason"],
                ties=contrast.document.get("ties", False),
                reasons=contrast.document.get("reasons", False),
                attributes=tuple(contrast.document.get("attributes") or ()),
                given=tuple(contrast.document.get("given") or ()),
            )
            for contrast in contrasts_in(session, study_id)
        ],
        listeners=rules["listeners"],
        stop=rules["stop_kind"],
        alpha=rules["alpha"],
        limit=rules["limit"],
        planted_least_right=rules["planted_least_right"],
        headphones=rules["headphones"],
        headphone_check=rules["headphone_check"],
        own_summary=rules["own_summary"],
        schedule_seed=plan_row(session, study_id).document.get("schedule_seed"),
    )
