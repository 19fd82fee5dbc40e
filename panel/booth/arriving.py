"""The first page behind a listener's link."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from panel.pages import page

router = APIRouter()


@router.get("/listen/{code}")
def booth(request: Request, code: str) -> Response:
    return page(request, "booth/welcome.html")
