"""Studies locked under a plan of format 1: carried over untouched, to be exported or erased.

Nothing is concluded from them any more. What was voted is handed out as it is, closed or not: no
link of such a study takes an answer.
"""

from dataclasses import dataclass

from sqlmodel import Session, col, delete, func, select

from panel.errors import Conflict, NotFound
from panel.stages.conclude.vote_table import study_in, tables_in
from panel.stages.listen import reasons
from panel.stages.rows import plan_row, takes_in
from panel.stages.takes import intake
from panel.store.session import Store, forget_deleted, write_first
from panel.store.tables import (
    Clip,
    Contrast,
    DrawnOrder,
    Excerpt,
    Factor,
    FoundLeader,
    Listener,
    Message,
    Plan,
    Reason,
    Take,
    Trial,
    Verdict,
    Vote,
    WaitingFile,
    Withdrawal,
)
from panel.study import plan_reading

# What refers to another stands before it.
OF_A_STUDY = (
    Reason, Vote, Trial, Message, Listener, Withdrawal, Clip, Excerpt, Contrast, Verdict, Plan,
    Take, WaitingFile, Factor, DrawnOrder,
)  # fmt: skip


@dataclass(frozen=True)
class Original:
    """The file of a take, by the take's key."""

    key: str
    label: str
    file_name: str


@dataclass(frozen=True)
class Kept:
    """What there is of such a study; `has_reasons`: listeners wrote or ticked why."""

    originals: tuple[Original, ...]
    has_reasons: bool


def kept(store: Store, study_id: int) -> Kept:
    """Raises Conflict for a study of the present format."""
    with store.session() as s:
        _plan_bytes(s, study_id)
        takes = takes_in(s, study_id)
        written = s.exec(
            select(func.count()).select_from(Reason).where(Reason.study_id == study_id)
        ).one()
        originals = tuple(Original(take.key, take.label, take.file_name) for take in takes)
        return Kept(originals, written > 0)


def export(store: Store, study_id: int, *, with_reasons: bool = False) -> bytes:
    """A zip with the plan as it is, votes, listeners and codebook, and no verdict. `with_reasons`
    adds what listeners wrote. Raises Conflict for a study of the present format."""
    from panel.report.archive.export import write_zip_without_verdict

    with store.session() as s:
        plan = plan_reading.as_it_was_voted_on(_plan_bytes(s, study_id))
        votes, listeners = tables_in(s, study_id, plan)
        words = reasons.csv_in(s, study_id, plan) if with_reasons else None
    return write_zip_without_verdict(plan, votes, listeners, reasons=words)


def erase(store: Store, study_id: int) -> None:
    """Remove the study with all that belongs to it, originals too unless another study has the
    same. Raises Conflict for a study of the present format, NotFound for none."""
    with store.session() as s:
        write_first(s)
        _plan_bytes(s, study_id)
        study = study_in(s, study_id, for_update=True)
        originals = {
            sha256
            for table in (Take, WaitingFile)
            for sha256 in s.exec(select(table.sha256).where(table.study_id == study_id))
        }
        clips = s.exec(select(Clip.samples_key).where(Clip.study_id == study_id)).all()
        takes = select(Take.id).where(Take.study_id == study_id)
        s.exec(delete(FoundLeader).where(col(FoundLeader.take_id).in_(takes)))
        for table in OF_A_STUDY:
            s.exec(delete(table).where(col(table.study_id) == study_id))
        s.flush()
        s.delete(study)
        s.commit()
    # A file that stays behind, should this stop here, is swept up as nothing refers to it.
    for key in clips:
        store.files.remove(key)
    for sha256 in originals:
        intake.drop(store, sha256)
    forget_deleted(store.engine)


def _plan_bytes(session: Session, study_id: int) -> bytes:
    found = plan_row(session, study_id).canonical
    if found is None:
        raise NotFound("The plan of this study is not locked.")
    if not plan_reading.of_format_1(found):
        raise Conflict("This study is of the present format.", hint="Go on with it at the desk.")
    return found
