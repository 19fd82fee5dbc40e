"""Moments as the desk writes them."""

from datetime import datetime


def moment(at: datetime | None) -> str:
    """ "3 May 2026, 09:30", "" for never."""
    return f"{at.day} {at:%B %Y, %H:%M}" if at else ""
