"""The plan at the desk: its rules, what it costs and can answer, and the lock."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk import forms
from panel.desk.security import checked_form, signed_in, store_of, study_of
from panel.desk.shown import plan as shown
from panel.desk.shown.moments import moment
from panel.desk.study_page import study_page
from panel.errors import PanelError
from panel.stages.accounts import OrganiserView
from panel.stages.plan import lock as plan
from panel.stages.plan import words
from panel.stages.studies import StudyView

router = APIRouter(prefix="/studies/{study_code}/plan")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("")
def plan_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    if study.locked_at is not None:
        return _locked(request, who, study)
    try:
        return _draft(request, who, study, simulate=request.query_params.get("simulate") == "yes")
    except PanelError as error:
        return _draft(request, who, study, problem=error)


@router.post("")
def set_rules(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        least = forms.text(form, "planted_least_right").strip()
        plan.set_rule(
            store_of(request),
            study.id,
            alpha=forms.number(form, "alpha", "Chance of a false “heard”"),
            limit=forms.number(form, "limit", "Limit for “not heard”") / 100,
            stop_kind=forms.text(form, "stop_kind"),
            listeners=forms.whole(form, "listeners", "Listeners"),
            planted_least_right=forms.whole(form, "planted_least_right", "Planted checks right")
            if least
            else None,
            headphones=forms.text(form, "headphones"),
            headphone_check=forms.text(form, "headphone_check") or "antiphase",
            own_summary=forms.text(form, "own_summary") == "yes",
        )
    except PanelError as error:
        if study.locked_at is not None:
            return _locked(request, who, study, problem=error)
        typed = forms.typed(form)
        return _draft(request, who, study, problem=error, typed=typed)
    return RedirectResponse(f"{study.href}/plan", status_code=303)


@router.get("/lock")
def lock_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    if study.locked_at is not None:
        return RedirectResponse(f"{study.href}/plan", status_code=303)
    return _lock(request, who, study)


@router.post("/lock")
def lock(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        plan.lock(store_of(request), study.id, forms.text(form, "sha256"))
    except PanelError as error:
        if study.locked_at is not None:
            return _locked(request, who, study, problem=error)
        return _lock(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/plan", status_code=303)


@router.get("/plan.json")
def download(request: Request, study: OwnStudy) -> Response:
    """The locked plan, in exactly the bytes its SHA-256 is taken over."""
    return Response(
        plan.canonical(store_of(request), study.id),
        media_type="application/json",
        headers={"Content-Disposition": 'attachment; filename="plan.json"'},
    )


def _draft(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    *,
    problem: PanelError | None = None,
    typed: dict[str, str] | None = None,
    simulate: bool = False,
) -> Response:
    draft = plan.draft(store_of(request), study.id)
    outlook = None
    if draft.plan is not None and draft.outlook is not None:
        endings = plan.endings(draft.plan, simulate=simulate)
        curves = plan.power_curves(draft.outlook)
        outlook = shown.shown_prospects(draft.outlook, curves, endings)
    return study_page(
        request,
        "plan/draft.html",
        who,
        study,
        "plan",
        problem=problem,
        draft=draft,
        form=shown.rules_form(draft.rules, typed or {}),
        outlook=outlook,
    )


def _lock(
    request: Request, who: OrganiserView, study: StudyView, *, problem: PanelError | None = None
) -> Response:
    draft = plan.draft(store_of(request), study.id)
    return study_page(
        request,
        "plan/lock.html",
        who,
        study,
        "plan",
        problem=problem,
        draft=draft,
        words=words.in_words(draft.plan) if draft.plan else (),
        answers=shown.what_it_can_answer(draft.outlook) if draft.outlook else (),
    )


def _locked(
    request: Request, who: OrganiserView, study: StudyView, *, problem: PanelError | None = None
) -> Response:
    return study_page(
        request,
        "plan/locked.html",
        who,
        study,
        "plan",
        problem=problem,
        words=words.in_words(plan.locked(store_of(request), study.id)),
        locked_at=moment(study.locked_at),
    )
