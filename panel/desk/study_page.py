"""A page of one study: who sees it, which step it belongs to, and what stood in the way."""

from starlette.requests import Request
from starlette.responses import HTMLResponse

from panel.errors import PanelError
from panel.pages import page
from panel.stages.accounts import OrganiserView
from panel.stages.studies import StudyView


def study_page(
    request: Request,
    template: str,
    who: OrganiserView,
    study: StudyView,
    here: str,
    *,
    problem: PanelError | None = None,
    status: int | None = None,
    **context: object,
) -> HTMLResponse:
    """The page `template` (say `takes/list.html`) of the desk; `here` is the key of its step.

    `problem`, if given, is shown above the content, and gives the status unless one is given.
    """
    return page(
        request,
        f"desk/{template}",
        status=status or (problem.status if problem else 200),
        organiser=who,
        study=study,
        here=here,
        next_is_here=study.next_href.endswith(f"/{here}"),
        problem=problem,
        **context,
    )
