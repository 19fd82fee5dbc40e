"""Who stands behind a listener's link."""

from sqlmodel import Session, select

from panel.errors import Conflict, Gone, NotFound
from panel.marked import N_
from panel.store.sealing import code_hash
from panel.store.tables import Listener, Study, Withdrawal
from panel.store.tables import Plan as Row
from panel.study import plan_reading
from panel.study.plan import Plan


def holder(session: Session, code: str, *, for_update: bool = False) -> tuple[Listener, Study]:
    """The listener whose link carries `code`, and their study.

    Raises NotFound for an unknown code and Gone for a revoked one. `for_update` locks the study's
    row until the transaction ends (a database that locks rows; SQLite locks as a whole).
    """
    listener = session.exec(select(Listener).where(Listener.link_hash == code_hash(code))).first()
    if listener is None:
        if session.exec(select(Withdrawal).where(Withdrawal.link_hash == code_hash(code))).first():
            raise Gone(
                N_("You have withdrawn from this study, and this link is closed."),
                hint=N_("Open the link itself to read what became of your answers."),
            )
        raise NotFound(
            N_("This link leads nowhere."),
            hint=N_("Check that it was copied whole, or ask whoever invited you."),
        )
    if listener.revoked_at is not None:
        raise Gone(
            N_("This link has been withdrawn."),
            hint=N_("If that surprises you, ask whoever invited you for a new one."),
        )
    query = select(Study).where(Study.id == listener.study_id)
    study = session.exec(query.with_for_update() if for_update else query).one()
    return listener, study


def refuse_unless_open(study: Study) -> None:
    """Raises Conflict before the plan is locked, Gone once the study is closed."""
    if study.closed_at is not None:
        raise _closed()
    if study.locked_at is None:
        raise Conflict(
            N_("This study has not begun yet."),
            hint=N_("Keep the link and come back once you are told that it is open."),
        )


def of_format_1(session: Session, study: Study) -> bool:
    """Whether the study was locked under a plan of format 1, and takes no more answers."""
    kept = _kept_plan(session, study)
    return kept is not None and plan_reading.of_format_1(kept)


def refuse_format_1(session: Session, study: Study) -> None:
    """Raises Gone for a study whose plan is of format 1."""
    if of_format_1(session, study):
        raise _closed()


def locked_plan(session: Session, study: Study) -> Plan:
    """The plan as it was locked. Raises Conflict before the lock, Gone for one of format 1."""
    kept = _kept_plan(session, study)
    if kept is None:
        raise Conflict(N_("The plan of this study is not locked yet."))
    if plan_reading.of_format_1(kept):
        raise _closed()
    return plan_reading.locked_plan(kept)


def _kept_plan(session: Session, study: Study) -> bytes | None:
    row = session.exec(select(Row).where(Row.study_id == study.id)).first()
    return None if row is None else row.canonical


def _closed() -> Gone:
    return Gone(N_("This study is closed and takes no more answers. Thank you for your interest."))
