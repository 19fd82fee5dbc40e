"""The order of a session: drawn by lot before it, printed, and kept."""

from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from panel.desk import forms
from panel.desk.security import checked_form, signed_in, store_of, study_of
from panel.desk.shown import orders as shown
from panel.desk.study_page import study_page
from panel.errors import PanelError
from panel.stages.accounts import OrganiserView
from panel.stages.studies import StudyView
from panel.stages.takes import drawn_orders

router = APIRouter(prefix="/studies/{study_code}/order")

Form = Annotated[FormData, Depends(checked_form)]
SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]


@router.get("")
def orders_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return _page(request, who, study)


@router.post("")
def draw(request: Request, who: SignedIn, study: OwnStudy, form: Form) -> Response:
    try:
        made = drawn_orders.draw(
            store_of(request),
            study.id,
            forms.text(form, "session"),
            shown.sides_typed(forms.typed(form)),
            forms.whole(form, "fittings", "Fresh fittings of each"),
        )
    except PanelError as error:
        return _page(request, who, study, problem=error, typed=forms.typed(form))
    return RedirectResponse(f"{study.href}/order/{made}", status_code=303)


@router.get("/{order_id}")
def order_page(request: Request, who: SignedIn, study: OwnStudy, order_id: int) -> Response:
    """One order by itself, to be printed and taken to the bench."""
    found = drawn_orders.one(store_of(request), study.id, order_id)
    order = shown.shown_order(found)
    return study_page(
        request,
        "takes/order.html",
        who,
        study,
        "takes",
        order=order,
        draft=study.state == "draft",
    )


@router.post("/{order_id}/remove")
def remove(request: Request, who: SignedIn, study: OwnStudy, order_id: int, form: Form) -> Response:
    try:
        drawn_orders.remove(store_of(request), study.id, order_id)
    except PanelError as error:
        return _page(request, who, study, problem=error)
    return RedirectResponse(f"{study.href}/order", status_code=303)


def _page(
    request: Request,
    who: OrganiserView,
    study: StudyView,
    *,
    problem: PanelError | None = None,
    typed: dict[str, str] | None = None,
) -> Response:
    store = store_of(request)
    there = drawn_orders.drawn(store, study.id)
    return study_page(
        request,
        "takes/orders.html",
        who,
        study,
        "takes",
        problem=problem,
        draft=study.state == "draft",
        orders=[shown.shown_order(order) for order in there],
        form=shown.shown_form(drawn_orders.suggested(store, study.id), len(there), typed or {}),
    )
