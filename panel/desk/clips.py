"""Clips at the desk: preparing them, and what was done to each."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from panel.desk import forms
from panel.desk.preparing import Jobs
from panel.desk.security import checked_form, signed_in, store_of, study_of
from panel.desk.shown.clips import prepare_words, shown_clips
from panel.desk.shown.contrasts import asked_or_borne
from panel.desk.study_page import study_page
from panel.errors import PanelError
from panel.stages.accounts import OrganiserView
from panel.stages.clips import prepare, preview
from panel.stages.contrasts import readiness
from panel.stages.studies import StudyView

router = APIRouter(prefix="/studies/{study_code}/clips")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("")
def clips_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    job = _jobs(request).of(study.id)
    problem = job.problem if job and not job.running else None
    if job and not job.running:
        _jobs(request).forget(study.id)
    return _page(request, who, study, problem=problem)


@router.post("")
def start(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    store = store_of(request)
    try:
        wanted = forms.text(form, "level")
        if wanted and wanted != prepare.level(store, study.id):
            prepare.set_level(store, study.id, wanted)
        prepare.check_ready(store, study.id)
    except PanelError as error:
        return _page(request, who, study, problem=error)
    _jobs(request).start(store, study.id)
    return RedirectResponse(f"{study.href}/clips", status_code=303)


@router.get("/progress")
def progress(request: Request, study: OwnStudy) -> JSONResponse:
    """How far the work is: `{"running", "done", "total"}`."""
    job = _jobs(request).of(study.id)
    if job is None:
        return JSONResponse({"running": False, "done": 1, "total": 1})
    return JSONResponse({"running": job.running, "done": job.done, "total": job.total})


@router.get("/ready")
def ready(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    """Can these takes answer it? A check list, before anybody is invited."""
    found = readiness.readiness(store_of(request), study.id)
    return study_page(
        request,
        "contrasts/ready.html",
        who,
        study,
        "clips",
        found=found,
        questions=asked_or_borne(found),
    )


@router.get("/{excerpt_key}/{take_key}.wav")
def listen(request: Request, study: OwnStudy, excerpt_key: str, take_key: str) -> Response:
    """A clip for the organiser, who knows the labels anyway; listeners never get this address."""
    wav = preview.clip(store_of(request), study.id, take_key, excerpt_key)
    return Response(wav, media_type="audio/wav", headers={"Cache-Control": "private, no-store"})


def _page(
    request: Request, who: OrganiserView, study: StudyView, *, problem: PanelError | None = None
) -> Response:
    store = store_of(request)
    job = _jobs(request).of(study.id)
    tables = prepare.by_excerpt(prepare.clips(store, study.id))
    level = prepare.level(store, study.id)
    stale = prepare.stale(store, study.id)
    return study_page(
        request,
        "clips/list.html",
        who,
        study,
        "clips",
        problem=problem,
        status=None if request.method == "POST" else 200,
        draft=study.state == "draft",
        tables=[shown_clips(table) for table in tables],
        level=level,
        matched=level == "matched",
        stale=stale,
        prepare=prepare_words(there=bool(tables), stale=stale),
        job=job if job and job.running else None,
    )


def _jobs(request: Request) -> Jobs:
    jobs: Jobs | None = getattr(request.app.state, "preparing", None)
    if jobs is None:
        jobs = request.app.state.preparing = Jobs()
    return jobs
