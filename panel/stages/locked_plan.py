"""The plan as it was locked: what every later step goes by."""

import json
from typing import Any

from sqlmodel import Session, select

from panel.errors import Conflict
from panel.store.tables import Plan


def read(session: Session, study_id: int) -> dict[str, Any]:
    """The locked plan's document. Raises Conflict before the lock."""
    canonical = session.exec(select(Plan.canonical).where(Plan.study_id == study_id)).first()
    if canonical is None:
        raise Conflict(
            "The plan of this study is not locked yet.", hint="Lock the plan first, in its step."
        )
    document: dict[str, Any] = json.loads(canonical)
    return document
