"""Marking excerpts on the overview pictures of the takes."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk import forms
from panel.desk.security import checked_form, signed_in, store_of, study_of
from panel.desk.shown import excerpts as shown
from panel.desk.study_page import study_page
from panel.errors import PanelError
from panel.stages.accounts import OrganiserView
from panel.stages.clips import preview
from panel.stages.studies import StudyView
from panel.stages.takes import excerpts, intake

router = APIRouter(prefix="/studies/{study_code}")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("/excerpts")
def excerpts_page(
    request: Request, who: SignedIn, study: OwnStudy, propose: bool = False, change: str = ""
) -> Response:
    """With `change`, the key of an excerpt, its times stand in the form, to be moved."""
    found = _of_key(request, study, change)
    form = shown.being_moved(found) if found else None
    return _page(request, who, study, propose=propose, form=form)


@router.post("/excerpts")
def add(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    """Mark an excerpt, or move the one whose key the form has."""
    store, key = store_of(request), forms.text(form, "key").strip()
    try:
        start = forms.number(form, "start", "Beginning")
        end = forms.number(form, "end", "End")
        if key:
            excerpts.change_excerpt(store, study.id, key, start, end, forms.text(form, "label"))
        else:
            intake.add_excerpt(store, study.id, start, end, forms.text(form, "label"))
    except PanelError as error:
        return _page(request, who, study, problem=error, form=shown.shown_form(forms.typed(form)))
    return RedirectResponse(f"{study.href}/excerpts", status_code=303)


@router.post("/excerpts/{excerpt_key}/remove")
def remove(
    request: Request, who: SignedIn, study: OwnStudy, excerpt_key: str, form: Form
) -> Response:
    try:
        intake.remove_excerpt(store_of(request), study.id, excerpt_key)
    except PanelError as error:
        return _page(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/excerpts", status_code=303)


@router.get("/takes/{take_key}/span.wav")
def span(
    request: Request, study: OwnStudy, take_key: str, start: float = 0.0, end: float = 0.0
) -> Response:
    """A stretch of the original as WAV, for the organiser's own ears."""
    wav = preview.span(store_of(request), study.id, take_key, start, end)
    return Response(wav, media_type="audio/wav", headers={"Cache-Control": "private, no-store"})


def _of_key(request: Request, study: StudyView, key: str) -> excerpts.ExcerptView | None:
    there = intake.excerpts(store_of(request), study.id) if key else ()
    return next((excerpt for excerpt in there if excerpt.key == key), None)


def _page(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    *,
    problem: PanelError | None = None,
    form: shown.ShownSpanForm | None = None,
    propose: bool = False,
) -> Response:
    store = store_of(request)
    there = shown.shown_excerpts(intake.takes(store, study.id), intake.excerpts(store, study.id))
    proposals = None
    if propose:
        found = preview.proposals(store, study.id)
        proposals = [shown.shown_span(span, there.longest) for span in found]
    return study_page(
        request,
        "takes/excerpts.html",
        who,
        study,
        "takes",
        problem=problem,
        draft=study.state == "draft",
        shown=there,
        proposals=proposals,
        form=form or shown.shown_form({}),
    )
