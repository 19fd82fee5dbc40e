"""The booth's addresses, collected: one file a concern."""

from fastapi import APIRouter

from panel.booth import arriving

router = APIRouter()
router.include_router(arriving.router)
