"""The desk: collects the routes of each concern."""

from fastapi import APIRouter
from starlette.responses import RedirectResponse, Response

from panel.desk import (
    accounts,
    channels,
    clips,
    contrasts,
    excerpts,
    kept,
    leader,
    listeners,
    orders,
    plan,
    report,
    studies,
    takes,
    watch,
)
from panel.desk.security import to_kept, to_sign_in

__all__ = ["router", "to_kept", "to_sign_in"]

router = APIRouter(prefix="/desk")


@router.get("")
def desk() -> Response:
    return RedirectResponse("/desk/studies", status_code=303)


router.include_router(accounts.router)
router.include_router(studies.router)
router.include_router(takes.router)
router.include_router(channels.router)
router.include_router(excerpts.router)
router.include_router(leader.router)
router.include_router(orders.router)
router.include_router(clips.router)
router.include_router(contrasts.router)
router.include_router(plan.router)
router.include_router(listeners.router)
router.include_router(watch.router)
router.include_router(report.router)
router.include_router(kept.router)
