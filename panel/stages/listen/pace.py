"""How long a listener still needs: the plan's guess at first, then their own pace."""

import math
from datetime import datetime, timedelta
from statistics import median

from sqlmodel import Session, col, select

from panel.procedures.catalogue import procedure
from panel.store.tables import Listener, Trial, Vote

PAUSE = timedelta(minutes=5)  # so long without a vote is a break
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


def listened(session: Session, listener: Listener, now: datetime) -> int:
    """Seconds since the listener's last break, as far as the votes tell: a break that was noted, or
    a long time without one. So a page that is loaded anew need not begin to count from nothing."""
    begun = now
    rows = session.exec(
        select(Vote).where(Vote.listener_id == listener.id).order_by(col(Vote.sequence).desc())
    )
    for vote in rows:
        if begun - vote.received_at > PAUSE:
            break
        begun = min(begun, vote.received_at - timedelta(seconds=vote.seconds))
        if vote.notes.get("breaks"):
            break
    return int((now - begun).total_seconds())
