"""Pages from templates: one Jinja environment for desk, booth and report."""

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

WEB = Path(__file__).resolve().parent.parent / "web"

environment = Environment(
    loader=FileSystemLoader(WEB / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


def page(request: Request, template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
    """The page `template` (say `desk/studies.html`), never cached."""
    body = environment.get_template(template).render(request=request, **context)
    return HTMLResponse(body, status_code=status, headers={"Cache-Control": "no-store"})
