"""A study locked under a plan of format 1: the one page there is of it, its export, its end."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk.archive_file import archive_file
from panel.desk.security import any_study_of, checked_form, signed_in, store_of
from panel.desk.shown.moments import moment
from panel.pages import page
from panel.prose import plural
from panel.stages.accounts import OrganiserView
from panel.stages.conclude import carried_over, publish
from panel.stages.studies import StudyView
from panel.study.plan_reading import OF_FORMAT_1, TO_FORMAT_2

router = APIRouter(prefix="/studies/{study_code}/kept")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
AnyStudy = Annotated[StudyView, Depends(any_study_of)]


@router.get("")
def kept_page(request: Request, who: SignedIn, study: AnyStudy) -> Response:
    return _page(request, "list", who, study)


@router.get("/export.zip")
def export(request: Request, study: AnyStudy, reasons: str = "") -> Response:
    """Plan, votes and listeners; with the listeners' words only where the organiser says so."""
    store = store_of(request)
    content = carried_over.export(store, study.id, with_reasons=reasons == "yes")
    return archive_file(content, publish.file_name(store, study.id))


@router.get("/erase")
def erase_page(request: Request, who: SignedIn, study: AnyStudy) -> Response:
    return _page(request, "erase", who, study)


@router.post("/erase")
def erase(request: Request, who: SignedIn, study: AnyStudy, form: Form) -> Response:
    carried_over.erase(store_of(request), study.id)
    return RedirectResponse("/desk/studies", status_code=303)


def _page(request: Request, template: str, who: OrganiserView, study: StudyView) -> Response:
    kept = carried_over.kept(store_of(request), study.id)
    counts = (
        plural(study.takes, "take"),
        plural(study.listeners, "listener"),
        plural(study.votes, "vote"),
    )
    return page(
        request,
        f"desk/kept/{template}.html",
        organiser=who,
        study=study,
        sentence=OF_FORMAT_1,
        advice=TO_FORMAT_2,
        counts=", ".join(counts),
        locked_at=moment(study.locked_at),
        originals=kept.originals,
        has_reasons=kept.has_reasons,
    )
