"""Studies: making one, listing one's own, and how far each has come."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import func
from sqlmodel import Session, select

from panel.errors import BadInput, Conflict, NotFound
from panel.stages.rows import clips_missing
from panel.store.row_id import row_id
from panel.store.sealing import new_code
from panel.store.session import Store, write_first
from panel.store.tables import Clip, Contrast, Excerpt, Factor, Listener, Plan, Study, Take, Vote
from panel.study.plan_reading import of_format_1

LONGEST_TITLE = 200
LONGEST_QUESTION = 1000


@dataclass(frozen=True)
class Step:
    """One step of the path. `state` is "done", "next" (what to do now) or "later"."""

    key: str
    name: str
    href: str
    state: Literal["done", "next", "later"]


@dataclass(frozen=True)
class StudyView:
    """A study as its organiser sees it; `next_text` and `next_href` are what to do now.
    `of_format_1`: locked under a plan of that format, from which nothing is concluded any more."""

    id: int
    code: str
    title: str
    question: str
    state: Literal["draft", "open", "closed"]
    created_at: datetime
    locked_at: datetime | None
    plan_sha256: str | None
    steps: tuple[Step, ...]
    next_text: str
    next_href: str
    takes: int
    listeners: int
    votes: int
    of_format_1: bool = False

    @property
    def href(self) -> str:
        return f"/desk/studies/{self.code}"


def create(store: Store, organiser_id: int, title: str, question: str) -> str:
    """Make a study and return its code. Raises BadInput for an empty or endless text."""
    title, question = (
        _text(title, "title", LONGEST_TITLE),
        _text(question, "question", LONGEST_QUESTION),
    )
    code = new_code(96)
    with store.session() as s:
        s.add(
            Study(
                code=code,
                organiser_id=organiser_id,
                title=title,
                question=question,
                created_at=store.now(),
            )
        )
        s.commit()
    return code


def rename(store: Store, study_id: int, title: str, question: str) -> None:
    """Change title and question, both of which the plan covers."""
    title, question = (
        _text(title, "title", LONGEST_TITLE),
        _text(question, "question", LONGEST_QUESTION),
    )
    with store.session() as s:
        write_first(s)
        study = unlocked(s, study_id)
        study.title, study.question = title, question
        s.add(study)
        s.commit()


def mine(store: Store, organiser_id: int) -> list[StudyView]:
    """The organiser's studies, the newest first."""
    with store.session() as s:
        found = s.exec(
            select(Study)
            .where(Study.organiser_id == organiser_id)
            .order_by(Study.created_at.desc(), Study.id.desc())  # type: ignore[attr-defined,union-attr]
        ).all()
        return [_view(s, study) for study in found]


def overview(store: Store, organiser_id: int, code: str) -> StudyView:
    """One study. Raises NotFound unless it is the organiser's own."""
    with store.session() as s:
        study = s.exec(select(Study).where(Study.code == code)).first()
        if study is None or study.organiser_id != organiser_id:
            raise NotFound(
                "There is no such study among yours.", hint="Choose one from the list of studies."
            )
        return _view(s, study)


def unlocked(session: Session, study_id: int) -> Study:
    """The study, for a change to what its plan covers. Raises NotFound, Conflict once locked."""
    study = session.get(Study, study_id)
    if study is None:
        raise NotFound("There is no such study.")
    if study.locked_at is not None:
        raise Conflict(
            "The plan of this study is locked, so its takes, log, excerpts, contrasts and rules "
            "stay as they are.",
            hint="To ask something else, make a new study.",
        )
    return study


def _text(text: str, what: str, longest: int) -> str:
    text = " ".join(text.split())
    if not text:
        raise BadInput(f"The study needs a {what}.", hint="Write it in plain words.")
    if len(text) > longest:
        raise BadInput(
            f"The {what} is longer than {longest} characters.", hint="Shorten it, and send again."
        )
    return text


def _count(session: Session, table: type, study_id: int) -> int:
    return int(
        session.exec(
            select(func.count()).select_from(table).where(table.study_id == study_id)  # type: ignore[attr-defined]
        ).one()
    )


def _view(session: Session, study: Study) -> StudyView:
    study_id = row_id(study)
    counts: dict[type, int] = {
        table: _count(session, table, study_id)
        for table in (Take, Factor, Excerpt, Clip, Listener, Vote)
    }
    questions = sum(
        contrast.role == "question"
        for contrast in session.exec(select(Contrast).where(Contrast.study_id == study_id))
    )
    plan = session.exec(select(Plan).where(Plan.study_id == study_id)).first()
    locked = study.locked_at is not None
    missing = "none" if locked else clips_missing(session, study_id)
    done = {
        "ask": True,
        "takes": locked or (counts[Take] >= 2 and counts[Excerpt] > 0 and counts[Factor] > 0),
        "clips": locked or (counts[Clip] > 0 and missing == "none"),
        "contrasts": locked or questions > 0,
        "plan": locked,
        "listeners": counts[Listener] > 0,
        "watch": study.closed_at is not None,
        "verdict": study.closed_at is not None,
    }
    content = plan.canonical if plan else None
    kept_only = content is not None and of_format_1(content)
    next_key, next_text = KEPT if kept_only else _next(study, counts, questions, missing)
    root = f"/desk/studies/{study.code}"
    steps = tuple(
        Step(
            key,
            name,
            root if key == "ask" else f"{root}/{key}",
            "next" if key == next_key else "done" if done[key] else "later",
        )
        for key, name in STEPS
    )
    state: Literal["draft", "open", "closed"] = "draft"
    if study.closed_at is not None:
        state = "closed"
    elif locked:
        state = "open"
    return StudyView(
        id=study_id,
        code=study.code,
        title=study.title,
        question=study.question,
        state=state,
        created_at=study.created_at,
        locked_at=study.locked_at,
        plan_sha256=plan.sha256 if plan else None,
        steps=steps,
        next_text=next_text,
        next_href=f"{root}/{next_key}",
        takes=counts[Take],
        listeners=counts[Listener],
        votes=counts[Vote],
        of_format_1=kept_only,
    )


STEPS = (
    ("ask", "Ask"),
    ("takes", "Takes"),
    ("clips", "Clips"),
    ("contrasts", "Contrasts"),
    ("plan", "Plan"),
    ("listeners", "Listeners"),
    ("watch", "Watch"),
    ("verdict", "Verdict"),
)


KEPT = "kept", "Export what is kept of it, or erase it."


def _next(study: Study, counts: dict[type, int], questions: int, missing: str) -> tuple[str, str]:
    if study.closed_at is not None:
        return "verdict", "Read the verdict, and hand on the report and its archive."
    if study.locked_at is not None:
        if counts[Listener] == 0:
            return "listeners", "The plan is locked. Invite listeners."
        if counts[Vote] == 0:
            return "watch", "Waiting for the first vote."
        return (
            "watch",
            "Votes are coming in. End the voting when all that are planned are in.",
        )
    if counts[Take] == 0:
        return "takes", "Add the takes."
    if counts[Take] == 1:
        return "takes", "Add a second take: there is nothing to compare yet."
    if counts[Factor] == 0:
        return "takes", "Name what you changed, and log it for each take."
    if counts[Excerpt] == 0:
        return "takes", "Mark an excerpt to be listened to."
    if counts[Clip] == 0:
        return "clips", "Prepare the clips: align them, and match their level."
    if missing == "all":
        return "clips", "Prepare the clips again: takes, excerpts or the level have changed."
    if questions == 0:
        return "contrasts", "Say which conditions are to be told apart."
    if missing == "planted":
        return "clips", "Prepare the clips again: a check has been planted."
    return "plan", "Read the plan, and lock it."
