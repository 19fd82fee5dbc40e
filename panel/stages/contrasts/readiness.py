"""Can these takes answer it? The facts of a study, put to the check list."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sqlmodel import Session

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
from panel.stages.contrasts.views import propose
from panel.stages.rows import (
    asked_in,
    clips_in,
    clips_missing,
    excerpts_in,
    factors_in,
    plan_row,
    takes_in,
)
from panel.store.session import Store
from panel.store.tables import Clip, Take
from panel.study.conditions import Condition, Stratum
from panel.study.factors import Factor, is_logged
from panel.study.rules import read_rules

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
    strata: tuple[Stratum, ...]
    dose: bool = False
    directed: bool = False

    def facts(self, there: dict[str, TakeFacts]) -> QuestionFacts:
        return QuestionFacts(
            self.name,
            _sides(self.conditions, there),
            self.dose,
            tuple(_sides(self.conditions, there, stratum.takes) for stratum in self.strata),
            self.directed,
        )


def facts(store: Store, study_id: int) -> Facts:
    """Only takes that stand in one of the questions count."""
    borne = _borne(store, study_id)
    with store.session() as s:
        asked = _asked(s, study_id)
        questions = asked or borne
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
            alpha=_alpha(s, study_id),
        )


def _asked(session: Session, study_id: int) -> list[_Question]:
    return [
        _Question(
            c.name,
            c.conditions,
            guarded(session, study_id, c.conditions, None, c.given).strata,
            c.scale is not None,
            c.directed,
        )
        for c in map(asked_in, contrasts_in(session, study_id))
        if c.role == "question"
    ]


def _borne(store: Store, study_id: int) -> list[_Question]:
    """The questions that the log would bear best."""
    found = [p for p in propose(store, study_id) if p.factor is not None]
    return [_Question(p.name, p.conditions, p.guard.strata) for p in found[:MOST_PROPOSED]]


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


def _alpha(session: Session, study_id: int) -> float:
    """The plan's, by the desk's rules while it is a draft."""
    return read_rules(plan_row(session, study_id).document.get("rules", {})).alpha
