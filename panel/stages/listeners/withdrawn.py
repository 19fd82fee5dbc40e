"""How many listeners took back their consent while voting went on."""

from sqlmodel import Session, col, func, select

from panel.store.tables import Withdrawal


def count(session: Session, study_id: int) -> int:
    """How many listeners of a study withdrew before its end."""
    return session.exec(
        select(func.count())
        .select_from(Withdrawal)
        .where(Withdrawal.study_id == study_id, col(Withdrawal.before_end))
    ).one()
