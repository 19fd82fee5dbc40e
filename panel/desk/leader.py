"""The leader at the desk: making one to play into the equipment, and what takes tell by it."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk import forms
from panel.desk.security import (
    checked_form,
    checked_upload,
    settings_of,
    signed_in,
    store_of,
    study_of,
)
from panel.desk.shown import leader as shown
from panel.desk.study_page import study_page
from panel.errors import BadInput, PanelError
from panel.stages.accounts import OrganiserView
from panel.stages.studies import StudyView
from panel.stages.takes import leaders, leaders_shown
from panel.stages.takes.intake import Limits

router = APIRouter(prefix="/studies/{study_code}")

Form = Annotated[FormData, Depends(checked_form)]
Upload = Annotated[FormData, Depends(checked_upload)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]

CHUNK = 2**20


@router.get("/leader")
def leader_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _page(request, who, study, {})


@router.post("/leader")
def make(request: Request, who: SignedIn, study: OwnStudy, form: Upload) -> Response:
    """The leader as a file, with the recording that was sent after it. Nothing is kept."""
    typed = forms.typed(form)
    upload = form.get("music")
    try:
        rate = forms.text(form, "rate").strip()
        if rate and not (rate.isascii() and rate.isdigit()):
            raise BadInput(f"“{rate}” is no sample rate.", hint="Choose one from the list.")
        chosen, length = int(rate) if rate else None, forms.text(form, "length") or "usual"
        if isinstance(upload, UploadFile) and upload.filename:
            sent = upload.file
            made = leaders.make(
                chosen,
                length,
                iter(lambda: sent.read(CHUNK), b""),
                upload.filename.replace("\\", "/").split("/")[-1][-100:],
                Limits.of(settings_of(request)),
            )
        else:
            made = leaders.make(chosen, length)
    except PanelError as error:
        return _page(request, who, study, typed, problem=error)
    name = f"leader-{length}-{made.rate}.wav"
    return Response(
        made.content,
        media_type="audio/wav",
        headers={
            "Content-Disposition": f'attachment; filename="{name}"',
            "Cache-Control": "private, no-store",
        },
    )


@router.get("/leader/told")
def told_page(
    request: Request, who: SignedIn, study: OwnStudy, channel: int | None = None
) -> Response:
    return _told(request, who, study, channel)


@router.post("/leader/alignment")
def alignment(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        leaders.set_alignment(store_of(request), study.id, forms.text(form, "alignment"))
    except PanelError as error:
        return _told(request, who, study, None, problem=error)
    return RedirectResponse(f"{study.href}/leader/told", status_code=303)


def _told(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    channel: int | None,
    problem: PanelError | None = None,
) -> Response:
    found = leaders_shown.shown(store_of(request), study.id, channel)
    return study_page(
        request,
        "takes/leader_told.html",
        who,
        study,
        "takes",
        problem=problem,
        draft=study.state == "draft",
        leader=shown.shown_leader(found),
    )


def _page(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    typed: dict[str, str],
    problem: PanelError | None = None,
) -> Response:
    return study_page(
        request,
        "takes/leader.html",
        who,
        study,
        "takes",
        problem=problem,
        rates=shown.shown_rates(leaders.RATES),
        usual_rate=f"{leaders.USUAL_RATE:,}",
        lengths=shown.shown_lengths(leaders.LENGTHS),
        hearing=leaders.HEARING,
        typed_rate=typed.get("rate", ""),
        typed_length=typed.get("length", "usual"),
    )
