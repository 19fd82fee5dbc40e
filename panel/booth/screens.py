"""The booth's screens: one address for each listener, and the screen that is due on it."""

import re
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from panel.booth.own_answers import shown_parts
from panel.errors import BadInput, Gone
from panel.marked import N_
from panel.pages import page, say_in
from panel.stages.conclude import own_summary
from panel.stages.listen import check_results, visit, withdraw
from panel.stages.listeners import joining

router = APIRouter()

JOINED = "listening-place"  # cookie of the open link: which listener this browser is
KEPT_DAYS = 180


@router.get("/listen/{code}")
def booth(request: Request, code: str) -> Response:
    store = request.app.state.store
    where = withdraw.standing(store, code)
    if isinstance(where, withdraw.Done):
        return page(request, "booth/withdrawn.html", done=where)
    try:
        state = visit.enter(store, code, say=say_in(request))
    except Gone:
        summary = own_summary.of(store, code)
        if summary is None:
            raise
        parts = shown_parts(summary)
        return page(request, "booth/summary.html", code=code, title=summary.title, parts=parts)
    return page(request, f"booth/{state.step}.html", code=code, state=state)


@router.get("/listen/{code}/withdraw")
def ask_to_withdraw(request: Request, code: str) -> Response:
    where = withdraw.standing(request.app.state.store, code)
    if isinstance(where, withdraw.Done):
        return page(request, "booth/withdrawn.html", done=where)
    return page(request, "booth/withdraw.html", code=code, where=where)


@router.post("/listen/{code}/withdraw")
def do_withdraw(request: Request, code: str, answers: Annotated[str, Form()] = "") -> Response:
    if answers not in ("remove", "keep"):
        raise BadInput(
            N_("Please say what is to become of your answers."),
            hint=N_("Go back and press one button."),
        )
    withdraw.withdraw(request.app.state.store, code, keep_answers=answers == "keep")
    return _back(code)


@router.post("/listen/{code}/consent")
def consent(request: Request, code: str) -> Response:
    visit.consent(request.app.state.store, code)
    return _back(code)


@router.post("/listen/{code}/playback")
def playback(
    request: Request,
    code: str,
    device: Annotated[str, Form()] = "",
    sample_rate: Annotated[str, Form()] = "",
) -> Response:
    rate = int(sample_rate) if re.fullmatch(r"[0-9]{1,7}", sample_rate) else None
    visit.declare_playback(request.app.state.store, code, device, rate)
    return _back(code)


@router.post("/listen/{code}/level")
def level(request: Request, code: str) -> Response:
    visit.mark_done(request.app.state.store, code, "level")
    return _back(code)


@router.post("/listen/{code}/no-check")
def no_check(request: Request, code: str) -> Response:
    check_results.skip_check(request.app.state.store, code)
    return _back(code)


@router.post("/listen/{code}/practised")
def practised(request: Request, code: str, kind: Annotated[str, Form()] = "") -> Response:
    visit.mark_practised(request.app.state.store, code, kind)
    return _back(code)


@router.post("/listen/{code}/remarks")
def remarks(request: Request, code: str, remarks: Annotated[str, Form()] = "") -> Response:
    visit.finish(request.app.state.store, code, remarks)
    return _back(code)


@router.get("/join/{open_code}")
def door(request: Request, open_code: str) -> Response:
    store = request.app.state.store
    mine = request.cookies.get(JOINED)
    if mine and joining.belongs(store, open_code, mine):
        return _back(mine)
    title = joining.open_study_title(store, open_code)
    return page(request, "booth/join.html", open_code=open_code, title=title)


@router.post("/join/{open_code}")
def join(request: Request, open_code: str) -> Response:
    store = request.app.state.store
    mine = request.cookies.get(JOINED)
    if mine and joining.belongs(store, open_code, mine):
        return _back(mine)
    personal = joining.join(store, open_code)
    answer = _back(personal)
    # The one cookie of the booth: without it each reload of the open link would be a new person.
    answer.set_cookie(
        JOINED,
        personal,
        max_age=KEPT_DAYS * 24 * 3600,
        path=f"/join/{open_code}",
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
    )
    return answer


def _back(code: str) -> RedirectResponse:
    return RedirectResponse(
        f"/listen/{code}", status_code=303, headers={"Cache-Control": "no-store"}
    )
