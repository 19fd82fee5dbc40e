"""Takes at the desk: adding them, their chain log, and the originals."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from panel.desk import forms
from panel.desk.security import (
    any_study_of,
    checked_form,
    checked_upload,
    settings_of,
    signed_in,
    store_of,
    study_of,
)
from panel.desk.shown import one_take
from panel.desk.shown import takes as shown
from panel.desk.shown.orders import shown_order
from panel.desk.study_page import study_page
from panel.errors import BadInput, PanelError
from panel.stages import studies
from panel.stages.accounts import OrganiserView
from panel.stages.contrasts import scope
from panel.stages.studies import StudyView
from panel.stages.takes import channel_choice, drawn_orders, intake, leaders
from panel.stages.takes.intake import Entry, Limits

router = APIRouter(prefix="/studies/{study_code}/takes")

Form = Annotated[FormData, Depends(checked_form)]
Upload = Annotated[FormData, Depends(checked_upload)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]
AnyStudy = Annotated[StudyView, Depends(any_study_of)]

CHUNK = 2**20


@router.get("")
def takes_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _page(request, who, study)


@router.post("")
def add(request: Request, who: SignedIn, study: OwnStudy, form: Upload) -> Response:
    """One or more files. Each is taken or refused by itself."""
    uploads = [file for file in form.getlist("files") if isinstance(file, UploadFile)]
    uploads = [file for file in uploads if file.filename]
    if not uploads:
        problem = BadInput("No file was chosen.", hint="Choose one or more sound files.")
        if _wants_json(request):
            raise problem
        return _page(request, who, study, problem=problem)
    results = [_take_in(request, study, upload) for upload in uploads]
    if _wants_json(request):
        return JSONResponse({"files": [asdict(result) for result in results]})
    if all(result.taken and not result.note for result in results):
        return RedirectResponse(f"{study.href}/takes", status_code=303)
    study = studies.overview(store_of(request), who.id, study.code)
    refused = any(not result.taken for result in results)
    return _page(request, who, study, status=400 if refused else None, uploads=results)


@router.post("/log")
def log(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    """The whole grid at once: all of it is kept, or, if a cell is wrong, nothing."""
    store = store_of(request)
    grid = intake.grid(store, study.id)
    try:
        entries = {
            row.take_id: Entry(
                values={
                    factor.id: _cell(form, row.take_id, factor.id, cell.state)
                    for factor, cell in zip(grid.factors, row.cells, strict=True)
                    if f"{row.take_id}.{factor.id}" in form
                },
                label=forms.text(form, f"{row.take_id}.label"),
                recorded_order=forms.whole(
                    form, f"{row.take_id}.order", f"Take {row.label}, order of recording"
                ),
                notes=forms.text(form, f"{row.take_id}.notes"),
                specimen=_named(form, take.key, shown.SPECIMEN, take.specimen),
                session=_named(form, take.key, shown.SESSION, take.session),
            )
            for row, take in zip(grid.rows, grid.takes, strict=True)
            if f"{row.take_id}.order" in form
        }
        carrier = forms.text(form, "carrier") if "carrier" in form else None
        intake.log_takes(store, study.id, entries, carrier)
    except PanelError as error:
        typed = forms.typed(form)
        return _page(request, who, study, problem=error, typed=typed)
    return RedirectResponse(f"{study.href}/takes#log", status_code=303)


@router.post("/factors")
def add_factor(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        kind = forms.text(form, "kind")
        numeric = kind == "numeric" and forms.text(form, "tolerance").strip()
        intake.add_factor(
            store_of(request),
            study.id,
            forms.text(form, "name"),
            kind,
            forms.text(form, "unit"),
            forms.number(form, "tolerance", "Tolerance") if numeric else 0.0,
        )
    except PanelError as error:
        typed = forms.typed(form)
        return _page(request, who, study, problem=error, new_factor=typed)
    return RedirectResponse(f"{study.href}/takes#log", status_code=303)


@router.post("/factors/{factor_key}")
def change_factor(
    request: Request, who: SignedIn, study: OwnStudy, factor_key: str, form: Form
) -> Response:
    try:
        numeric = forms.text(form, "tolerance").strip()
        intake.change_factor(
            store_of(request),
            study.id,
            factor_key,
            name=forms.text(form, "name"),
            unit=forms.text(form, "unit"),
            tolerance=forms.number(form, "tolerance", "Tolerance") if numeric else 0.0,
        )
    except PanelError as error:
        return _page(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/takes#log", status_code=303)


@router.post("/factors/{factor_key}/remove")
def remove_factor(
    request: Request, who: SignedIn, study: OwnStudy, factor_key: str, form: Form
) -> Response:
    try:
        intake.remove_factor(store_of(request), study.id, factor_key)
    except PanelError as error:
        return _page(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/takes#log", status_code=303)


@router.get("/{take_key}")
def take_page(request: Request, who: SignedIn, study: OwnStudy, take_key: str) -> Response:
    take = intake.take(store_of(request), study.id, take_key)
    return study_page(
        request, "takes/one.html", who, study, "takes", take=one_take.shown_take(take)
    )


@router.post("/{take_key}/remove")
def remove(request: Request, who: SignedIn, study: OwnStudy, take_key: str, form: Form) -> Response:
    try:
        intake.remove_take(store_of(request), study.id, take_key)
    except PanelError as error:
        return _page(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/takes", status_code=303)


@router.get("/{take_key}/original")
def original(request: Request, study: AnyStudy, take_key: str) -> Response:
    """The file as it came, byte for byte, under the name it came with."""
    path, name = intake.original(store_of(request), study.id, take_key)
    return FileResponse(
        path,
        media_type="application/octet-stream",
        headers={
            "Content-Disposition": _attachment(name),
            "Content-Security-Policy": "sandbox; default-src 'none'",
            "Cache-Control": "private, no-store",
        },
    )


def _take_in(request: Request, study: StudyView, upload: UploadFile) -> shown.Upload:
    name = upload.filename or ""
    try:
        view = channel_choice.take_or_wait(
            store_of(request),
            study.id,
            name,
            iter(lambda: upload.file.read(CHUNK), b""),
            limits=Limits.of(settings_of(request)),
        )
    except PanelError as error:
        return shown.Upload(name, taken=False, message=error.message, hint=error.hint)
    return shown.taken(name, view)


def _cell(form: FormData, take_key: str, factor_key: str, state: str) -> str:
    typed = forms.text(form, f"{take_key}.{factor_key}")
    if not typed.strip() and state == "unlogged":
        return forms.text(form, f"all.{factor_key}")  # one value for all that is not logged yet
    return typed


def _named(form: FormData, take_key: str, field: str, kept: str) -> str | None:
    """Specimen or session of a take as the form has it; None where it has no such field."""
    name = f"{take_key}.{field}"
    if name not in form:
        return None
    return _cell(form, take_key, field, "same" if kept else "unlogged")


def _page(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    *,
    status: int | None = None,
    problem: PanelError | None = None,
    uploads: Sequence[shown.Upload] = (),
    typed: dict[str, str] | None = None,
    new_factor: dict[str, str] | None = None,
) -> Response:
    store = store_of(request)
    grid = intake.grid(store, study.id)
    excerpts = intake.excerpts(store, study.id)
    found = leaders.view(store, study.id)
    waiting = channel_choice.waiting(store, study.id)
    return study_page(
        request,
        "takes/list.html",
        who,
        study,
        "takes",
        problem=problem,
        status=status,
        draft=study.state == "draft",
        log=shown.shown_log(grid, typed or {}, scope.of_the_log(store, study.id)),
        orders=[shown_order(order) for order in drawn_orders.drawn(store, study.id)],
        marked=shown.marked(excerpts) if excerpts else "",
        leaders=found,
        with_leader=shown.with_leader(found, len(grid.takes)),
        waiting=shown.shown_waiting(waiting),
        what_waits=shown.what_waits(waiting),
        limit_mib=settings_of(request).upload_limit_mib,
        uploads=uploads,
        new_factor=shown.shown_factor_form(new_factor or {}),
    )


def _attachment(name: str) -> str:
    """A Content-Disposition for any name: plain letters quoted, the true one per RFC 5987."""
    plain = "".join(c if c.isascii() and c.isprintable() and c not in '"\\%' else "_" for c in name)
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}"


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")
