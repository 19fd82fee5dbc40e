"""The open link: whoever follows it becomes a listener with a link of their own."""

from sqlmodel import Session, select

from panel.errors import Gone, NotFound
from panel.marked import N_
from panel.stages.listeners.codes import fresh_code
from panel.stages.listeners.links import refuse_format_1, refuse_unless_open
from panel.store.row_id import row_id
from panel.store.sealing import code_hash, new_code
from panel.store.session import Store, write_first
from panel.store.tables import Listener, Study


def open_study_title(store: Store, open_code: str) -> str:
    """The title of the study behind an open link. Raises NotFound, or Gone once it is closed."""
    with store.session() as s:
        return _behind_open_link(s, open_code).title


def belongs(store: Store, open_code: str, code: str) -> bool:
    """Whether `code` is the link of a listener of the study behind an open link."""
    with store.session() as s:
        study = _behind_open_link(s, open_code)
        listener = s.exec(
            select(Listener).where(
                Listener.link_hash == code_hash(code), Listener.study_id == study.id
            )
        ).first()
        return listener is not None and listener.revoked_at is None


def join(store: Store, open_code: str) -> str:
    """A new listener of the open link; returns their personal code."""
    personal = new_code()
    with store.session() as s:
        write_first(s)
        study = _behind_open_link(s, open_code)
        refuse_unless_open(study)
        taken = s.exec(select(Listener.code).where(Listener.study_id == study.id)).all()
        s.add(
            Listener(
                study_id=row_id(study),
                code=fresh_code(taken),
                address=None,
                link_hash=code_hash(personal),
                link_sealed=store.sealer.seal(personal),
                created_at=store.now(),
            )
        )
        s.commit()
    return personal


def _behind_open_link(session: Session, open_code: str) -> Study:
    study = session.exec(select(Study).where(Study.open_link_hash == code_hash(open_code))).first()
    if study is None:
        raise NotFound(
            N_("This link leads nowhere, or has been closed."),
            hint=N_("Check that it was copied whole, or ask whoever shared it."),
        )
    if study.closed_at is not None:
        raise Gone(
            N_("This study is closed and takes no more answers. Thank you for your interest.")
        )
    refuse_format_1(session, study)
    return study
