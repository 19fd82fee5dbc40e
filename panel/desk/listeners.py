"""Listeners and mail: who is invited, what the mails say, and what lies in the outbox."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk.security import checked_form, settings_of, signed_in, store_of, study_of
from panel.desk.shown import listeners as shown
from panel.desk.study_page import study_page
from panel.errors import PanelError
from panel.post import outbox
from panel.stages.accounts import OrganiserView
from panel.stages.listeners import invite, letters
from panel.stages.studies import StudyView

router = APIRouter(prefix="/studies/{study_code}")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("/listeners")
def listeners_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _listeners(request, who, study)


@router.post("/listeners/invite")
def invite_pasted(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    pasted = str(form.get("addresses", ""))
    try:
        invited = invite.invite(store_of(request), settings_of(request), study.id, pasted)
    except PanelError as error:
        return _listeners(request, who, study, problem=error, pasted=pasted)
    refused = "\n".join(text for text, _ in invited.refused)
    return _listeners(request, who, study, invited=invited, pasted=refused)


@router.get("/listeners/words")
def words_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _words(request, who, study, letters.words(store_of(request), study.id))


@router.post("/listeners/words")
def keep_words(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    sent = letters.Words(str(form.get("invitation", "")), str(form.get("privacy", "")))
    try:
        letters.set_words(store_of(request), study.id, sent.invitation, sent.privacy)
    except PanelError as error:
        return _words(request, who, study, sent, problem=error)
    return RedirectResponse(f"{study.href}/listeners/words?kept=1", status_code=303)


@router.post("/listeners/remind")
def remind_all(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        reminded = invite.remind(store_of(request), settings_of(request), study.id)
    except PanelError as error:
        return _listeners(request, who, study, problem=error)
    return _listeners(request, who, study, reminded=reminded)


@router.post("/listeners/{listener_id}/remind")
def remind_one(
    request: Request, who: SignedIn, study: OwnStudy, form: Form, listener_id: int
) -> Response:
    try:
        reminded = invite.remind(store_of(request), settings_of(request), study.id, listener_id)
    except PanelError as error:
        return _listeners(request, who, study, problem=error)
    return _listeners(request, who, study, reminded=reminded)


@router.get("/listeners/{listener_id}/revoke")
def revoke_page(request: Request, who: SignedIn, study: OwnStudy, listener_id: int) -> Response:
    listener = invite.listener(store_of(request), study.id, listener_id)
    return study_page(request, "listeners/revoke.html", who, study, "listeners", listener=listener)


@router.post("/listeners/{listener_id}/revoke")
def revoke(
    request: Request, who: SignedIn, study: OwnStudy, form: Form, listener_id: int
) -> Response:
    invite.revoke(store_of(request), study.id, listener_id)
    return RedirectResponse(f"{study.href}/listeners", status_code=303)


@router.post("/listeners/open-link")
def make_open_link(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        invite.open_link(store_of(request), settings_of(request), study.id)
    except PanelError as error:
        return _listeners(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/listeners#open-link", status_code=303)


@router.post("/listeners/open-link/close")
def close_open_link(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    invite.close_open_link(store_of(request), study.id)
    return RedirectResponse(f"{study.href}/listeners#open-link", status_code=303)


@router.get("/outbox")
def outbox_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    messages = invite.outbox(store_of(request), study.id)
    held, send_held = shown.held(messages)
    return study_page(
        request,
        "listeners/outbox.html",
        who,
        study,
        "listeners",
        messages=[shown.shown_mail(message) for message in messages],
        held=held,
        send_held=send_held,
        mail_server=settings_of(request).smtp_host,
    )


@router.post("/outbox/send")
def send_held(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    invite.send_held(store_of(request), settings_of(request), study.id)
    return RedirectResponse(f"{study.href}/outbox", status_code=303)


@router.get("/outbox/{message_id}")
def message_page(request: Request, who: SignedIn, study: OwnStudy, message_id: int) -> Response:
    return _message(request, who, study, message_id)


@router.post("/outbox/{message_id}/again")
def try_again(
    request: Request, who: SignedIn, study: OwnStudy, form: Form, message_id: int
) -> Response:
    try:
        outbox.try_again(store_of(request), study.id, message_id)
    except PanelError as error:
        return _message(request, who, study, message_id, problem=error)
    return RedirectResponse(f"{study.href}/outbox/{message_id}", status_code=303)


def _listeners(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    *,
    problem: PanelError | None = None,
    invited: invite.Invited | None = None,
    reminded: invite.Reminded | None = None,
    pasted: str = "",
) -> Response:
    settings = settings_of(request)
    audience = invite.audience(store_of(request), settings, study.id)
    return study_page(
        request,
        "listeners/list.html",
        who,
        study,
        "listeners",
        problem=problem,
        invited=shown.shown_invited(invited) if invited else None,
        reminded=shown.shown_reminded(reminded, by_server=bool(settings.smtp_host))
        if reminded
        else None,
        pasted=pasted,
        audience=shown.shown_audience(audience, opened=study.state == "open"),
        mail_server=settings.smtp_host,
        sender_problem=invite.sender_problem(settings),
    )


def _words(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    words: letters.Words,
    problem: PanelError | None = None,
) -> Response:
    specimen = None
    if study.state == "open" and problem is None:
        specimen = letters.specimen(store_of(request), settings_of(request), study.id)
    return study_page(
        request,
        "listeners/words.html",
        who,
        study,
        "listeners",
        problem=problem,
        words=words,
        kept="kept" in request.query_params,
        specimen=specimen,
    )


def _message(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    message_id: int,
    problem: PanelError | None = None,
) -> Response:
    view, letter, alive = outbox.opened(store_of(request), study.id, message_id)
    by_server = bool(settings_of(request).smtp_host)
    return study_page(
        request,
        "listeners/message.html",
        who,
        study,
        "listeners",
        problem=problem,
        message=shown.shown_message(view, letter, by_server=by_server),
        alive=alive,
    )
