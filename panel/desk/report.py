"""The verdict: sealed until voting has ended, then the report and what can be taken away."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk.archive_file import archive_file
from panel.desk.security import checked_form, signed_in, store_of, study_of
from panel.desk.shown.verdict import shown_reasons
from panel.desk.study_page import study_page
from panel.errors import PanelError
from panel.pages import page
from panel.prose import capital
from panel.stages.accounts import OrganiserView
from panel.stages.conclude import ending, publish
from panel.stages.listen import reasons
from panel.stages.studies import StudyView
from panel.stages.takes import leaders_shown

router = APIRouter(prefix="/studies/{study_code}/verdict")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("")
def verdict_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    if study.state != "closed":
        return _sealed(request, who, study)
    report = publish.report_context(store_of(request), study.id)["report"]
    when = f"{capital(report.dates)}. " if report.dates else ""
    return study_page(
        request,
        "conclude/verdict.html",
        who,
        study,
        "verdict",
        report=report,
        facts=when + report.facts,
        has_reasons=bool(reasons.told(store_of(request), study.id)),
    )


@router.get("/report")
def report_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    """The whole report, a page by itself: to be read, printed, or kept as a file."""
    return page(
        request,
        "report/report.html",
        leader=leaders_shown.for_report(store_of(request), study.id),
        **publish.report_context(
            store_of(request),
            study.id,
            export_url=f"{study.href}/verdict/export.zip",
            plan_url=f"{study.href}/verdict/plan.json",
        ),
    )


@router.get("/end")
def end_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    if study.state == "closed":
        return RedirectResponse(f"{study.href}/verdict", status_code=303)
    return _end(request, who, study)


@router.post("/end")
def end(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        ending.close(store_of(request), study.id)
    except PanelError as error:
        return _end(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/verdict", status_code=303)


@router.get("/reasons")
def reasons_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    """What listeners ticked and wrote; refused while the study is sealed."""
    told = reasons.told(store_of(request), study.id)
    return study_page(
        request,
        "conclude/reasons.html",
        who,
        study,
        "verdict",
        told=[shown_reasons(contrast) for contrast in told],
    )


@router.get("/export.zip")
def export(request: Request, study: OwnStudy, reasons: str = "") -> Response:
    """The archive; with the listeners' words only where the organiser says so."""
    store = store_of(request)
    content = publish.export(store, study.id, with_reasons=reasons == "yes")
    return archive_file(content, publish.file_name(store, study.id))


@router.get("/plan.json")
def plan(request: Request, study: OwnStudy) -> Response:
    """The plan's own bytes: their SHA-256 is the one shown at the lock."""
    return Response(
        publish.plan_bytes(store_of(request), study.id),
        media_type="application/json",
        headers={"Cache-Control": "no-store"},
    )


def _sealed(request: Request, who: OrganiserView, study: StudyView) -> Response:
    standing = None
    if study.state == "open":
        standing = ending.standing(store_of(request), study.id)
    return study_page(request, "conclude/sealed.html", who, study, "verdict", standing=standing)


def _end(
    request: Request, who: OrganiserView, study: StudyView, problem: PanelError | None = None
) -> Response:
    return study_page(
        request,
        "conclude/end.html",
        who,
        study,
        "verdict",
        problem=problem,
        standing=ending.standing(store_of(request), study.id),
    )
