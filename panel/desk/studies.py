"""The list of studies, a new study, and the first step of each: what is asked."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk.security import checked_form, signed_in, store_of, study_of
from panel.desk.shown.moments import moment
from panel.desk.shown.studies import listed_study
from panel.desk.study_page import study_page
from panel.errors import PanelError
from panel.pages import page
from panel.stages import studies
from panel.stages.accounts import OrganiserView
from panel.stages.studies import StudyView

router = APIRouter(prefix="/studies")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("")
def list_page(request: Request, who: SignedIn) -> Response:
    return page(
        request,
        "desk/studies/list.html",
        organiser=who,
        studies=[listed_study(one) for one in studies.mine(store_of(request), who.id)],
    )


@router.get("/new")
def new_page(request: Request, who: SignedIn) -> Response:
    return page(
        request, "desk/studies/new.html", organiser=who, title="", question="", problem=None
    )


@router.post("/new")
def create(request: Request, who: SignedIn, form: Form) -> Response:
    title, question = str(form.get("title", "")), str(form.get("question", ""))
    try:
        code = studies.create(store_of(request), who.id, title, question)
    except PanelError as error:
        return page(
            request,
            "desk/studies/new.html",
            status=error.status,
            organiser=who,
            title=title,
            question=question,
            problem=error,
        )
    return RedirectResponse(f"/desk/studies/{code}/takes", status_code=303)


@router.get("/{study_code}")
def ask_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _ask(request, who, study, study.title, study.question)


@router.post("/{study_code}")
def rename(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    title, question = str(form.get("title", "")), str(form.get("question", ""))
    try:
        studies.rename(store_of(request), study.id, title, question)
    except PanelError as error:
        return _ask(request, who, study, title, question, problem=error)
    return RedirectResponse(study.href, status_code=303)


def _ask(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    title: str,
    question: str,
    problem: PanelError | None = None,
) -> Response:
    return study_page(
        request,
        "studies/ask.html",
        who,
        study,
        "ask",
        problem=problem,
        title=title,
        question=question,
        locked_at=moment(study.locked_at),
    )
