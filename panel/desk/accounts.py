"""Signing in and out at the desk."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk.security import (
    begin_session,
    checked_form,
    end_session,
    own_address,
    signed_in,
    store_of,
    visitor_page,
)
from panel.errors import BadInput, PanelError
from panel.pages import page
from panel.stages import accounts
from panel.stages.accounts import OrganiserView

router = APIRouter()

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]


@router.get("/sign-in")
def sign_in_page(request: Request, next: str = "") -> Response:
    return visitor_page(
        request, "desk/accounts/sign_in.html", wanted=own_address(next), address="", problem=None
    )


@router.post("/sign-in")
def sign_in(request: Request, form: Form) -> Response:
    address, wanted = str(form.get("address", "")), own_address(str(form.get("next", "")))
    try:
        who = accounts.check_password(store_of(request), address, str(form.get("password", "")))
    except PanelError as error:
        return visitor_page(
            request,
            "desk/accounts/sign_in.html",
            status=error.status,
            wanted=wanted,
            address=address,
            problem=error,
        )
    return begin_session(request, RedirectResponse(wanted, status_code=303), who)


@router.get("/enter/{code}")
def enter_page(request: Request, code: str) -> Response:
    """A button only: mail scanners follow links, and would use the code up."""
    accounts.check_code(store_of(request), code)
    return visitor_page(request, "desk/accounts/enter.html", code=code)


@router.post("/enter/{code}")
def enter(request: Request, code: str, form: Form) -> Response:
    who = accounts.enter(store_of(request), code)
    return begin_session(request, RedirectResponse("/desk/studies", status_code=303), who)


@router.post("/sign-out")
def sign_out(request: Request, who: SignedIn, form: Form) -> Response:
    accounts.sign_out(store_of(request), who.id)
    return end_session(RedirectResponse("/desk/sign-in", status_code=303))


@router.get("/password")
def password_page(request: Request, who: SignedIn) -> Response:
    return page(request, "desk/accounts/password.html", organiser=who, problem=None)


@router.post("/password")
def choose_password(request: Request, who: SignedIn, form: Form) -> Response:
    first, again = str(form.get("password", "")), str(form.get("again", ""))
    try:
        if first != again:
            raise BadInput("The two passwords are not the same.", hint="Type both once more.")
        accounts.set_password(store_of(request), who.id, first)
    except PanelError as error:
        return page(
            request,
            "desk/accounts/password.html",
            status=error.status,
            organiser=who,
            problem=error,
        )
    return begin_session(request, RedirectResponse("/desk/studies", status_code=303), who.id)
