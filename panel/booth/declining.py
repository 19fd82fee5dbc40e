"""A listener's no: one press, and no further mail comes."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from panel.pages import page
from panel.stages.listeners import invite

router = APIRouter()


@router.get("/decline/{code}")
def ask(request: Request, code: str) -> Response:
    # A page first: mail scanners follow links, and a scanner must not decline for anybody.
    may = invite.may_decline(request.app.state.store, code)
    return page(request, "mail/decline.html", declined=not may, code=code)


@router.post("/decline/{code}")
def decline(request: Request, code: str) -> Response:
    # The link itself is the proof of who declines, also for a mail program's one-click request
    # (RFC 8058), so there is no form token.
    invite.decline(request.app.state.store, code)
    return page(request, "mail/decline.html", declined=True, code=code)
