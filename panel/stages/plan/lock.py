"""The plan: rules, what they cost, and the lock.

While a draft the plan is built anew from the study each time it is shown, so that what is
locked is what was shown: the page hands back the SHA-256 it showed. Locked, the canonical bytes
never change again.
"""

import secrets
from dataclasses import dataclass, replace

from sqlmodel import Session

from panel.design import plan as design
from panel.design.power import planner, prospects
from panel.design.power.planner import ContrastOutlook, Outlook
from panel.design.power.procedure_choice import DPRIMES
from panel.design.power.prospects import Prospects
from panel.design.power.votes import power_curve, share_right
from panel.errors import BadInput, Conflict, NotFound
from panel.stages.clips import prepare
from panel.stages.contrasts.rows import contrasts_in
from panel.stages.rows import (
    asked_in,
    clips_missing,
    draws_in,
    excerpts_in,
    factors_in,
    plan_row,
    takes_in,
)
from panel.stages.studies import unlocked
from panel.store.session import Store, write_first
from panel.store.tables import Study
from panel.study.plan import HEADPHONE_CHECKS, Plan, PlanExcerpt, PlanTake
from panel.study.plan_reading import locked_plan
from panel.study.rules import Rules, read_rules

POINTS = 60


@dataclass(frozen=True)
class Draft:
    """The plan as it stands. `problems` are sentences on what keeps it from being locked; while
    there are any, `plan` and `outlook` are None."""

    rules: Rules
    problems: tuple[str, ...]
    plan: Plan | None
    outlook: Outlook | None

    @property
    def sha256(self) -> str | None:
        return None if self.plan is None else self.plan.sha256


def draft(store: Store, study_id: int) -> Draft:
    """The plan to be, or what keeps it from being one."""
    _begin(store, study_id)
    with store.session() as s:
        rules = _rules(s, study_id)
        found = _obstacles(s, study_id)
        plan = None
        if not found:  # else the plan would only lack the same things
            try:
                plan = _build(s, study_id)
            except BadInput as error:
                found.append(error.message)
    if found or plan is None:
        return Draft(rules, tuple(dict.fromkeys(found)), None, None)
    return Draft(rules, (), plan, planner.outlook(plan))


@dataclass(frozen=True)
class Curve:
    """Exact power against chance over votes across conditions, for one question: one line for
    each d′, its points (votes, power)."""

    outlook: ContrastOutlook
    lines: tuple[tuple[float, tuple[tuple[int, float], ...]], ...]


def endings(plan: Plan, *, simulate: bool) -> Prospects | None:
    """How the study ends under a few truths; None unless `simulate`, or known from before.

    Raises BadInput where it is asked for and the plan cannot be simulated.
    """
    return prospects.prospects(plan) if simulate else prospects.known(plan)


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
    alpha: float = Rules.alpha,
    limit: float = Rules.limit,
    stop_kind: str = Rules.stop_kind,
    listeners: int = Rules.listeners,
    planted_least_right: int | None = None,
    headphones: str = Rules.headphones,
    headphone_check: str = Rules.headphone_check,
    own_summary: bool = Rules.own_summary,
) -> None:
    """Set the rules of the plan. Raises BadInput for what no plan may say, Conflict once locked."""
    rules = Rules(
        alpha=float(alpha),
        limit=float(limit),
        stop_kind=stop_kind,
        listeners=listeners,
        planted_least_right=planted_least_right,
        headphones=headphones,
        headphone_check=headphone_check,
        own_summary=bool(own_summary),
    )
    _refuse_impossible(rules)
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        row = plan_row(s, study_id)
        row.document = {**row.document, "rules": rules.document()}
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
        plan = _build(s, study_id)
        if expected_sha256 is not None and expected_sha256 != plan.sha256:
            raise Conflict(
                "The plan has changed since it was shown to you.",
                hint="Read it once more, then lock it.",
            )
        row = plan_row(s, study_id)
        row.canonical, row.sha256, row.locked_at = plan.canonical, plan.sha256, store.now()
        study.locked_at = row.locked_at
        s.add(row)
        s.add(study)
        s.commit()
    return plan.sha256


def locked(store: Store, study_id: int) -> Plan:
    """The locked plan. Raises NotFound before the lock."""
    return locked_plan(canonical(store, study_id))


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


def _refuse_impossible(rules: Rules) -> None:
    """Raise BadInput for what no plan may say."""
    if not 0.0001 <= rules.alpha <= 0.2:
        raise BadInput(
            "The chance of a false “heard” (α) must lie between 0.0001 and 0.2.",
            hint="0.05 is usual.",
        )
    if not 0.01 <= rules.limit <= 0.9:
        raise BadInput(
            "The limit for “not heard” must be a share between 1 and 90 %.", hint="25 % is usual."
        )
    if rules.stop_kind not in ("fixed", "anytime"):
        raise BadInput("The stopping rule is either a fixed number, or valid at any time.")
    if isinstance(rules.listeners, bool) or not 1 <= rules.listeners <= 10_000:
        raise BadInput("The number of listeners must be a whole number from 1 to 10,000.")
    if rules.planted_least_right is not None and not 1 <= rules.planted_least_right <= 400:
        raise BadInput(
            "The planted checks to be right must be one at least.",
            hint="Leave it empty to exclude nobody.",
        )
    if rules.headphones not in ("record", "exclude"):
        raise BadInput("A failed headphone check is either recorded, or excludes.")
    if rules.headphone_check not in HEADPHONE_CHECKS:
        raise BadInput("The headphone check is the quietest of three tones, or a hidden pitch.")


def _rules(session: Session, study_id: int) -> Rules:
    return read_rules(plan_row(session, study_id).document.get("rules", {}))


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


def _build(session: Session, study_id: int) -> Plan:
    study = session.get(Study, study_id)
    if study is None:
        raise NotFound("There is no such study.")
    rules = _rules(session, study_id)
    return design.build(
        title=study.title,
        question=study.question,
        factors=factors_in(session, study_id),
        takes=[
            PlanTake(
                id=take.key,
                label=take.label,
                sha256=take.sha256,
                order=take.recorded_order,
                log=take.log,
                channels=tuple(take.kept_channels),
                specimen=take.specimen,
                session=take.session,
            )
            for take in takes_in(session, study_id)
        ],
        excerpts=[
            PlanExcerpt(id=e.key, start_s=e.start_s, end_s=e.end_s)
            for e in excerpts_in(session, study_id)
        ],
        contrasts=[
            replace(asked_in(row), level=study.level) for row in contrasts_in(session, study_id)
        ],
        listeners=rules.listeners,
        stop=rules.stop_kind,
        alpha=rules.alpha,
        limit=rules.limit,
        planted_least_right=rules.planted_least_right,
        headphones=rules.headphones,
        headphone_check=rules.headphone_check,
        own_summary=rules.own_summary,
        schedule_seed=plan_row(session, study_id).document.get("schedule_seed"),
        carrier=study.carrier,
        draws=draws_in(session, study_id),
    )
