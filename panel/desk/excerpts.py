"""Marking excerpts on the overview pictures of the takes, and the next session's order."""

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk import forms, pictures
from panel.desk.security import checked_form, signed_in, store_of, study_of
from panel.errors import PanelError
from panel.pages import page
from panel.stages.accounts import OrganiserView
from panel.stages.clips import preview
from panel.stages.rows import TakeView
from panel.stages.studies import StudyView
from panel.stages.takes import excerpts, intake, next_to_record

router = APIRouter(prefix="/studies/{study_code}")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("/excerpts")
def excerpts_page(
    request: Request, who: SignedIn, study: OwnStudy, propose: bool = False, change: str = ""
) -> Response:
    """With `change`, the key of an excerpt, its times stand in the form, to be moved."""
    typed = (
        {
            "key": found.key,
            "start": f"{found.start_s:.3f}",
            "end": f"{found.end_s:.3f}",
            "label": found.label,
        }
        if (found := _of_key(request, study, change))
        else {}
    )
    return _page(request, who, study, propose=propose, typed=typed)


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
        typed = {name: value for name, value in form.items() if isinstance(value, str)}
        return _page(request, who, study, problem=error, typed=typed)
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


@router.get("/order")
def order_page(
    request: Request, who: SignedIn, study: OwnStudy, conditions: str = "", each: str = ""
) -> Response:
    """A mixed order of recording for the next session, drawn anew each time it is asked for."""
    labels = next_to_record.labels(store_of(request), study.id, conditions)
    problem, drawn = None, None
    if each:
        try:
            drawn = next_to_record.order(labels, each)
        except PanelError as error:
            problem = error
    return page(
        request,
        "desk/takes/order.html",
        status=problem.status if problem else 200,
        organiser=who,
        study=study,
        here="takes",
        labels=labels,
        each=each or "4",
        drawn=drawn,
        problem=problem,
    )


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


def _levels(
    takes: Sequence[TakeView], longest: float
) -> tuple[list[float], list[tuple[str, list[str]]]]:
    """The pictures as a table: the stretches' edges in s, and the level of each take in them."""
    edges = [0.0, *pictures.marks(longest), longest]
    return edges, [(take.label, pictures.levels(take.overview, edges)) for take in takes]


def _page(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    *,
    problem: PanelError | None = None,
    typed: dict[str, str] | None = None,
    propose: bool = False,
) -> Response:
    store = store_of(request)
    takes = intake.takes(store, study.id)
    longest = max((take.seconds for take in takes), default=0.0)
    shown = intake.excerpts(store, study.id)
    return page(
        request,
        "desk/takes/excerpts.html",
        status=problem.status if problem else 200,
        organiser=who,
        study=study,
        here="takes",
        takes=[(take, pictures.overview(take.overview, longest)) for take in takes],
        longest=longest,
        marks=pictures.marks(longest),
        levels=_levels(takes, longest),
        excerpts=shown,
        proposals=preview.proposals(store, study.id) if propose else None,
        problem=problem,
        typed=typed or {},
    )
