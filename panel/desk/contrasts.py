"""Contrasts at the desk: proposals from the log, and the forms for question, control and check."""

from collections.abc import Sequence
from contextlib import suppress
from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.design.guard.clean_pairs import CleanPair
from panel.desk import forms
from panel.desk.security import checked_form, signed_in, store_of, study_of
from panel.desk.shown import contrasts as shown
from panel.desk.study_page import study_page
from panel.errors import PanelError
from panel.stages.accounts import OrganiserView
from panel.stages.clips import measured, planting
from panel.stages.contrasts import asked as contrasts
from panel.stages.contrasts.asked import Condition
from panel.stages.studies import StudyView
from panel.stages.takes import intake

router = APIRouter(prefix="/studies/{study_code}/contrasts")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("")
def contrasts_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _list(request, who, study)


@router.get("/question")
def question_page(
    request: Request,
    who: SignedIn,
    study: OwnStudy,
    factor: str = "",
    takes: str = "",
    given: str = "",
) -> Response:
    """The form for a question; `takes` (keys with commas) and `given` are those to begin with."""
    chosen = [key for key in takes.split(",") if key]
    return _question(request, who, study, factor, chosen or None, given=[given])


@router.post("/question")
def ask(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    store = store_of(request)
    factor, chosen = forms.text(form, "factor"), forms.texts(form, "take")
    conditions: tuple[Condition, ...] = ()
    try:
        conditions = _sides(contrasts.by_value(store, study.id, factor), chosen)
        contrasts.add_question(
            store,
            study.id,
            name=forms.text(form, "name"),
            procedure=forms.text(form, "procedure"),
            factor=factor,
            conditions=conditions,
            votes_per_listener=forms.whole(form, "votes", "Votes from each listener"),
            attribute=forms.text(form, "attribute"),
            scale=forms.text(form, "scale") or None,
            override_reason=forms.text(form, "reason"),
            ties=forms.text(form, "ties") == "yes",
            reasons=forms.text(form, "reasons") == "yes",
            attributes=forms.text(form, "words").split(","),
            given=forms.texts(form, "given"),
        )
    except PanelError as error:
        typed = forms.typed(form)
        return _question(
            request,
            who,
            study,
            factor,
            chosen,
            problem=error,
            typed=typed,
            judged=conditions,
            given=forms.texts(form, "given"),
        )
    return RedirectResponse(f"{study.href}/contrasts", status_code=303)


@router.get("/measured")
def measured_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    """What differs between the conditions of each question, beside what retakes vary by."""
    store = store_of(request)
    problem, found = None, []
    try:
        found = measured.shown(store, study.id)
    except PanelError as error:
        problem = error
    return study_page(
        request,
        "clips/measured.html",
        who,
        study,
        "contrasts",
        problem=problem,
        status=200,
        questions=found,
    )


@router.get("/retakes")
def retakes_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _form_page(request, who, study, "contrasts/retakes.html", shown.FOR_RETAKES)


@router.post("/retakes")
def add_retakes(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    store = store_of(request)
    try:
        groups: dict[str, list[str]] = {"first": [], "second": []}
        for take in intake.takes(store, study.id):
            side = forms.text(form, f"group.{take.key}")
            if side in groups:
                groups[side].append(take.key)
        contrasts.add_retake_control(
            store,
            study.id,
            name=forms.text(form, "name"),
            procedure=forms.text(form, "procedure"),
            conditions=[Condition(f"{name} retakes", tuple(keys)) for name, keys in groups.items()],
            votes_per_listener=forms.whole(form, "votes", "Votes from each listener"),
        )
    except PanelError as error:
        return _form_page(
            request,
            who,
            study,
            "contrasts/retakes.html",
            shown.FOR_RETAKES,
            problem=error,
            form=form,
        )
    return RedirectResponse(f"{study.href}/contrasts", status_code=303)


@router.get("/check")
def check_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _form_page(request, who, study, "contrasts/check.html", shown.FOR_CHECKS)


@router.post("/check")
def add_check(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        contrasts.add_planted_check(
            store_of(request),
            study.id,
            take_key=forms.text(form, "take"),
            kind=forms.text(form, "kind"),
            amount_db=forms.number(form, "amount", "Amount"),
            procedure=forms.text(form, "procedure"),
            votes_per_listener=forms.whole(form, "votes", "Votes from each listener"),
            attribute=forms.text(form, "attribute"),
        )
    except PanelError as error:
        return _form_page(
            request, who, study, "contrasts/check.html", shown.FOR_CHECKS, problem=error, form=form
        )
    with suppress(PanelError):  # the check stands; preparing says what is wrong with the clips
        planting.plant(store_of(request), study.id)
    return RedirectResponse(f"{study.href}/contrasts", status_code=303)


@router.post("/{contrast_key}/remove")
def remove(
    request: Request, who: SignedIn, study: OwnStudy, contrast_key: str, form: Form
) -> Response:
    try:
        contrasts.remove(store_of(request), study.id, contrast_key)
    except PanelError as error:
        return _list(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/contrasts", status_code=303)


def _list(
    request: Request, who: OrganiserView, study: StudyView, *, problem: PanelError | None = None
) -> Response:
    store = store_of(request)
    draft = study.state == "draft"
    asked = contrasts.contrasts(store, study.id)
    proposals = contrasts.proposals(store, study.id) if draft else ()
    return study_page(
        request,
        "contrasts/list.html",
        who,
        study,
        "contrasts",
        problem=problem,
        draft=draft,
        contrasts=[shown.shown_contrast(contrast) for contrast in asked],
        proposals=[shown.shown_proposal(proposal) for proposal in proposals],
    )


def _question(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    factor: str,
    chosen: Sequence[str] | None,
    *,
    problem: PanelError | None = None,
    typed: dict[str, str] | None = None,
    judged: Sequence[Condition] = (),
    given: Sequence[str] = (),
) -> Response:
    """Without a factor the page asks for one; with it, for takes, procedure and votes."""
    store = store_of(request)
    factors = intake.factors(store, study.id)
    asked = next((known for known in factors if known.id == factor), None)
    nearest: Sequence[CleanPair] = ()
    if problem and len(judged) > 1:
        nearest = contrasts.judge(store, study.id, judged).nearest
    form = None
    if asked:
        form = shown.shown_question(
            asked,
            factors,
            contrasts.by_value(store, study.id, factor),
            intake.takes(store, study.id),
            contrasts.procedure_options(),
            chosen=chosen,
            given=given,
            typed=typed or {},
        )
    return study_page(
        request,
        "contrasts/question.html",
        who,
        study,
        "contrasts",
        problem=problem,
        factors=shown.shown_factors(factors),
        asked=form,
        nearest=[shown.shown_pair(pair) for pair in nearest],
    )


def _form_page(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    template: str,
    procedures: Sequence[shown.Choice],
    *,
    problem: PanelError | None = None,
    form: FormData | None = None,
) -> Response:
    typed = forms.typed(form) if form else {}
    takes = intake.takes(store_of(request), study.id)
    return study_page(
        request,
        template,
        who,
        study,
        "contrasts",
        problem=problem,
        form=shown.shown_form(typed),
        takes=shown.grouped(takes, typed),
        groups=shown.GROUP_CHOICES,
        procedures=procedures,
    )


def _sides(sides: Sequence[Condition], chosen: Sequence[str]) -> tuple[Condition, ...]:
    """The conditions with only the chosen takes; those without any drop out."""
    kept = (
        Condition(side.label, tuple(key for key in side.takes if key in chosen), side.dose)
        for side in sides
    )
    return tuple(side for side in kept if side.takes)
