"""Can these takes answer it? The facts of a study, put to the check list."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sqlmodel import Session

from panel.design.guard.propose import Proposal
from panel.design.guard.result import GuardResult
from panel.design.guard.scope_words import Reach
from panel.design.readiness import Check, State, check_list, in_all
from panel.design.readiness_facts import (
    ExcerptFacts,
    Facts,
    LoggedFacts,
    QuestionFacts,
    SideFacts,
    TakeFacts,
)
from panel.stages.contrasts.guard import guarded
from panel.stages.contrasts.rows import contrasts_in
from panel.stages.contrasts.scope import alpha_in, reach_in
from panel.stages.contrasts.views import propose
from panel.stages.rows import (
    asked_in,
    clips_in,
    clips_missing,
    excerpts_in,
    factors_in,
    takes_in,
)
from panel.store.session import Store
from panel.store.tables import Clip, Take
from panel.study.conditions import Condition, groups_of
from panel.study.factors import Factor, is_logged
from panel.study.plan import Contrast

MOST_PROPOSED = 3


@dataclass(frozen=True)
class ReadinessView:
    """The list, the state of the whole, and the names of the questions it is about.
    `asked`: whether they are asked, or only what the log would bear."""

    checks: tuple[Check, ...]
    state: State
    questions: tuple[str, ...]
    asked: bool


def readiness(store: Store, study_id: int) -> ReadinessView:
    """For the questions that are asked; before any is, for those that the log would bear best."""
    known = facts(store, study_id)
    found = check_list(known)
    return ReadinessView(found, in_all(found), tuple(q.name for q in known.questions), known.asked)


@dataclass(frozen=True)
class _Question:
    """A question that is asked, or that the log would bear."""

    name: str
    conditions: tuple[Condition, ...]
    reach: Reach
    guard: GuardResult
    dose: bool = False
    directed: bool = False

    def facts(self, there: dict[str, TakeFacts]) -> QuestionFacts:
        return QuestionFacts(
            self.name,
            _sides(self.conditions, there),
            self.reach,
            self.dose,
            tuple(_sides(self.conditions, there, stratum.takes) for stratum in self.guard.strata),
            self.directed,
            self.guard.order_warning,
        )


def facts(store: Store, study_id: int) -> Facts:
    """Only takes that stand in one of the questions count."""
    proposed = [p for p in propose(store, study_id) if p.factor is not None][:MOST_PROPOSED]
    with store.session() as s:
        asked = _asked(s, study_id)
        questions = asked or _borne(s, study_id, proposed)
        takes = takes_in(s, study_id)
        prepared = bool(takes) and clips_missing(s, study_id) != "all"
        there = _take_facts(takes, clips_in(s, study_id) if prepared else [])
        chosen = {key for q in questions for side in q.conditions for key in side.takes}
        compared = [take for take in takes if take.key in chosen]
        return Facts(
            questions=tuple(question.facts(there) for question in questions),
            factors=tuple(
                LoggedFacts(factor.name, _without(compared, factor))
                for factor in factors_in(s, study_id)
            ),
            excerpts=tuple(
                ExcerptFacts(e.label or f"Excerpt {e.key[1:]}", e.end_s - e.start_s)
                for e in excerpts_in(s, study_id)
            ),
            asked=bool(asked),
            prepared=prepared,
            alpha=alpha_in(s, study_id),
        )


def _asked(session: Session, study_id: int) -> list[_Question]:
    return [
        _as_asked(session, study_id, c, guarded(session, study_id, c.conditions, None, c.given))
        for c in map(asked_in, contrasts_in(session, study_id))
        if c.role == "question"
    ]


def _as_asked(session: Session, study_id: int, c: Contrast, found: GuardResult) -> _Question:
    reach = reach_in(
        session, study_id, c.conditions, c.factor, is_dose=c.is_dose, strata=groups_of(found.strata)
    )
    return _Question(c.name, c.conditions, reach, found, c.is_dose, c.directed)


def _borne(session: Session, study_id: int, proposed: Sequence[Proposal]) -> list[_Question]:
    """The questions that the log would bear best."""
    return [
        _Question(
            p.name,
            p.conditions,
            reach_in(
                session,
                study_id,
                p.conditions,
                p.factor,
                is_dose=False,
                strata=groups_of(p.guard.strata),
            ),
            p.guard,
        )
        for p in proposed
    ]


def _without(takes: Sequence[Take], factor: Factor) -> tuple[str, ...]:
    """Labels of the takes for which the factor is not logged."""
    return tuple(take.label for take in takes if not is_logged(take.log.get(factor.id)))


def _sides(
    conditions: tuple[Condition, ...],
    there: dict[str, TakeFacts],
    stratum: Collection[str] | None = None,
) -> tuple[SideFacts, ...]:
    """The conditions with what is known of their takes; with `stratum` only of those in it."""
    return tuple(
        SideFacts(
            side.label,
            tuple(
                there[key]
                for key in side.takes
                if key in there and (stratum is None or key in stratum)
            ),
        )
        for side in conditions
    )


def _take_facts(takes: list[Take], clips: list[Clip]) -> dict[str, TakeFacts]:
    codes: dict[str, set[str]] = {}
    compared: set[str] = set()
    for clip in clips:
        codes.setdefault(clip.take_key, set()).update(str(w["code"]) for w in clip.warnings)
        if clip.residual_db is not None:
            compared.add(clip.take_key)
    return {
        take.key: TakeFacts(
            name=take.label,
            order=take.recorded_order,
            lossy=take.lossy,
            clipped="clipping" in codes[take.key] if take.key in codes else None,
            noise="residual_is_noise" in codes[take.key] if take.key in compared else None,
            lufs=take.loudness_lufs,
        )
        for take in takes
    }
