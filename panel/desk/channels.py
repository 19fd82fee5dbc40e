"""Choosing the channels of a file that has more than two."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk import forms
from panel.desk.security import checked_form, settings_of, signed_in, store_of, study_of
from panel.desk.shown import one_take
from panel.desk.study_page import study_page
from panel.errors import BadInput, PanelError
from panel.stages.accounts import OrganiserView
from panel.stages.studies import StudyView
from panel.stages.takes import channel_choice
from panel.stages.takes.intake import Limits

router = APIRouter(prefix="/studies/{study_code}/takes/waiting/{waiting_id}")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("")
def choice_page(request: Request, who: SignedIn, study: OwnStudy, waiting_id: int) -> Response:
    return _page(request, who, study, waiting_id)


@router.post("")
def choose(
    request: Request, who: SignedIn, study: OwnStudy, waiting_id: int, form: Form
) -> Response:
    try:
        if not forms.text(form, "left"):
            raise BadInput("No channel was chosen.", hint="Choose the left one, or the only one.")
        channels = [forms.whole(form, "left", "Left channel")]
        if forms.text(form, "right"):
            channels.append(forms.whole(form, "right", "Right channel"))
        channel_choice.choose(
            store_of(request),
            study.id,
            waiting_id,
            channels,
            limits=Limits.of(settings_of(request)),
        )
    except PanelError as error:
        return _page(request, who, study, waiting_id, problem=error, form=form)
    return RedirectResponse(f"{study.href}/takes#waiting", status_code=303)


@router.post("/discard")
def discard(
    request: Request, who: SignedIn, study: OwnStudy, waiting_id: int, form: Form
) -> Response:
    channel_choice.discard(store_of(request), study.id, waiting_id)
    return RedirectResponse(f"{study.href}/takes#waiting", status_code=303)


def _page(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    waiting_id: int,
    *,
    problem: PanelError | None = None,
    form: FormData | None = None,
) -> Response:
    file = channel_choice.one(store_of(request), study.id, waiting_id)
    return study_page(
        request,
        "takes/channels.html",
        who,
        study,
        "takes",
        problem=problem,
        file=file,
        seconds=f"{file.seconds:.1f}",
        tracks=one_take.shown_tracks(file),
        left=forms.text(form, "left") if form else "",
        right=forms.text(form, "right") if form else "",
    )
