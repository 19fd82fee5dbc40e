"""Contrasts: what is to be told apart, under the guard against two changes at once.

A contrast is kept as its entry in the plan to be. What the guard says is never kept: it is asked
again whenever the contrast is shown, and once more when the plan is locked. Guard, views and
planted checks have files of their own; their functions can be had from here too.
"""

from collections.abc import Sequence

from sqlmodel import Session, col, select

from panel.errors import BadInput
from panel.procedures.catalogue import FOR_RETAKES, choose
from panel.procedures.catalogue import procedure as kind_of
from panel.stages.contrasts.askable import (
    check_borne,
    check_given,
    check_how_many,
    check_reminders,
    check_same_factor,
    scale_asked,
)
from panel.stages.contrasts.guard import (
    by_value,
    check_comparable,
    guarded,
    judge,
    known_factor,
    with_doses,
)
from panel.stages.contrasts.planted_checks import add_planted_check
from panel.stages.contrasts.rows import (
    checked_votes,
    contrast_in,
    contrasts_in,
    keep_contrast,
    tidy_attribute,
    tidy_name,
    tidy_reason,
    tidy_words,
    with_tidy_labels,
)
from panel.stages.contrasts.views import (
    ContrastView,
    ProposalView,
    SideView,
    contrasts,
    procedure_options,
    proposals,
    propose,
)
from panel.stages.rows import asked_in, factors_in
from panel.stages.studies import unlocked
from panel.store.session import Store, write_first
from panel.store.tables import Clip
from panel.study.conditions import Condition
from panel.study.plan import Contrast

__all__ = [
    "Condition", "ContrastView", "ProposalView", "SideView", "add_planted_check", "add_question",
    "add_retake_control", "by_value", "contrasts", "contrasts_in", "judge",
    "procedure_options", "proposals", "propose", "remove",
]  # fmt: skip


def add_question(
    store: Store,
    study_id: int,
    *,
    name: str,
    procedure: str,
    factor: str | None,
    conditions: Sequence[Condition],
    votes_per_listener: int,
    attribute: str | None = None,
    scale: str | None = None,
    override_reason: str | None = None,
    ties: bool = False,
    reasons: bool = False,
    attributes: Sequence[str] = (),
    given: Sequence[str] = (),
) -> str:
    """Ask whether the conditions can be told apart; returns the contrast's key.

    `ties`, `reasons`, `attributes` go with a preference: it may be for neither, a reason is asked
    in the listener's own words, words are there to tick.
    `given`: factors the takes are crossed over; then only takes alike in these are compared.
    `factor` is what is asked about (None only with a written reason). Raises BadInput with the
    guard's sentence where more than one factor differs and no reason is given.
    """
    reason = tidy_reason(override_reason)
    kind = kind_of(procedure)
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        factors = factors_in(s, study_id)
        check_given(factors, given, factor)
        result = guarded(s, study_id, conditions, reason, given)
        check_borne(result, kind, scale)
        check_same_factor(factors, factor, result.factor)
        check_reminders(kind, conditions)
        check_comparable(s, study_id, conditions)
        conditions, scale = _along(s, study_id, conditions, result.factor or factor, scale)
        check_how_many(kind, len(conditions), scale)
        key = keep_contrast(
            s,
            study_id,
            "q",
            Contrast(
                id="",
                name=tidy_name(name),
                role="question",
                procedure=procedure,
                conditions=with_tidy_labels(conditions),
                votes_per_listener=checked_votes(votes_per_listener),
                attribute=tidy_attribute(kind, attribute),
                factor=result.factor,
                scale=scale,
                override_reason=reason if result.overridden else None,
                ties=ties,
                reasons=reasons,
                attributes=tidy_words(attributes) if "attributes" in kind.options else (),
                given=result.given,
            ),
        )
        s.commit()
    return key


def _along(
    session: Session,
    study_id: int,
    conditions: Sequence[Condition],
    about: str | None,
    scale: str | None,
) -> tuple[Sequence[Condition], str | None]:
    """The conditions with their doses where the factor asked about is a number, and the scale of
    their trend."""
    factor = known_factor(factors_in(session, study_id), about) if about else None
    if factor is not None and factor.kind == "numeric":
        conditions = with_doses(session, study_id, conditions, factor)
    return conditions, scale_asked(scale, factor, len(conditions))


def add_retake_control(
    store: Store,
    study_id: int,
    *,
    name: str,
    procedure: str,
    conditions: Sequence[Condition],
    votes_per_listener: int,
) -> str:
    """A retake control by itself: takes of one and the same condition, in two groups.

    Questions with several takes of a condition bring theirs along and need none of these.
    """
    if kind_of(procedure).directed:
        raise BadInput(
            "A retake control by itself needs a procedure with a right answer.",
            hint=choose(FOR_RETAKES),
        )
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        result = guarded(s, study_id, conditions, None)
        if result.role != "retake_control":
            raise BadInput(
                f"These takes are not alike in what is logged. {result.sentence}",
                hint="Choose takes of one condition.",
            )
        if len(conditions) != 2:
            raise BadInput("A retake control has two groups of takes.")
        check_comparable(s, study_id, conditions)
        key = keep_contrast(
            s,
            study_id,
            "r",
            Contrast(
                id="",
                name=tidy_name(name),
                role="retake_control",
                procedure=procedure,
                conditions=with_tidy_labels(conditions),
                votes_per_listener=checked_votes(votes_per_listener),
            ),
        )
        s.commit()
    return key


def remove(store: Store, study_id: int, key: str) -> None:
    """Remove a contrast; the clips of a planted check go with it."""
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        found = contrast_in(s, study_id, key)
        clips: list[Clip] = []
        if found.role == "planted_check":
            planted = asked_in(found).sides[1]
            clips = list(
                s.exec(
                    select(Clip).where(Clip.study_id == study_id, col(Clip.take_key).in_(planted))
                )
            )
        for clip in clips:
            s.delete(clip)
        s.delete(found)
        s.commit()
    for clip in clips:
        store.files.remove(clip.samples_key)
