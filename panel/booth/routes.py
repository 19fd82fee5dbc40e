"""The booth's addresses, collected: one file a concern."""

from fastapi import APIRouter

from panel.booth import declining, getting_ready, screens, sounds, votes

router = APIRouter()
router.include_router(screens.router)
router.include_router(getting_ready.router)
router.include_router(sounds.router)
router.include_router(votes.router)
router.include_router(declining.router)
