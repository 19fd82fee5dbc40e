"""How long a listener still needs: the plan's guess at first, then their own pace."""

import math
from statistics import median

from sqlmodel import Session, col, select

from panel.design.procedures import procedure
from panel.store.tables import Listener, Trial, Vote

ENOUGH = 3  # votes of a procedure from which a pace can be told


def minutes_left(session: Session, listener: Listener, rest: list[Trial]) -> int:
    """From the listener's own pace once there are enough votes to judge it by."""
    pace: dict[str, list[int]] = {}
    rows = session.exec(
        select(Trial.procedure, Vote.seconds)
        .join(Vote, col(Vote.trial_id) == col(Trial.id))
        .where(Trial.listener_id == listener.id)
        .order_by(col(Trial.number).desc())
    )
    for code, seconds in rows:
        pace.setdefault(code, []).append(seconds)
    expected = 0.0
    for trial in rest:
        own = pace.get(trial.procedure, [])[:8]
        expected += float(median(own)) if len(own) >= ENOUGH else procedure(trial.procedure).seconds
    return max(1, math.ceil(expected / 60)) if rest else 0
