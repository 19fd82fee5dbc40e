"""Rows of contrasts: each is kept as its entry in the plan to be, after its fields were checked.

Every function that takes a session takes an open one; whoever opened it commits.
"""

from collections.abc import Sequence
from dataclasses import replace

from sqlmodel import Session, col, select

from panel.design.contrast_check import LONGEST_WORD, MOST_WORDS
from panel.errors import BadInput, Conflict, NotFound
from panel.procedures.base import Procedure
from panel.stages.rows import asked_in
from panel.store.tables import Contrast as Row
from panel.study.conditions import Condition
from panel.study.plan import Contrast

MOST_CONTRASTS = 20
MOST_VOTES = 400
LONGEST_NAME = 120
LONGEST_REASON = 1000


def contrasts_in(session: Session, study_id: int) -> list[Row]:
    return list(
        session.exec(
            select(Row).where(Row.study_id == study_id).order_by(col(Row.position), col(Row.key))
        )
    )


def contrast_in(session: Session, study_id: int, key: str) -> Row:
    found = session.exec(select(Row).where(Row.study_id == study_id, Row.key == key)).first()
    if found is None:
        raise NotFound("There is no such contrast in this study.")
    return found


def with_tidy_labels(conditions: Sequence[Condition]) -> tuple[Condition, ...]:
    return tuple(replace(c, label=" ".join(c.label.split())[:80]) for c in conditions)


def keep_contrast(session: Session, study_id: int, prefix: str, contrast: Contrast) -> str:
    """Add a row for a contrast; returns the key it got."""
    there = contrasts_in(session, study_id)
    if len(there) >= MOST_CONTRASTS:
        raise Conflict(f"A study has at most {MOST_CONTRASTS} contrasts.")
    if any(asked_in(other).name.casefold() == contrast.name.casefold() for other in there):
        raise Conflict(
            f"There is a contrast “{contrast.name}” already.", hint="Give this one another name."
        )
    taken = {other.key for other in there}
    candidates = [f"{prefix}{n}" for n in range(1, MOST_CONTRASTS + 2)]
    if prefix == "check":
        candidates[0] = prefix
    key = next(name for name in candidates if name not in taken)
    session.add(
        Row(
            study_id=study_id,
            key=key,
            position=max((other.position for other in there), default=0) + 1,
            role=contrast.role,
            document=contrast.document_as_asked(),
        )
    )
    session.flush()
    return key


def tidy_attribute(kind: Procedure, attribute: str | None) -> str | None:
    text = " ".join((attribute or "").split())
    if "attribute" not in kind.options:
        return None
    if not text:
        raise BadInput(
            "Name the attribute that is asked about.", hint="For example “top end” or “hum”."
        )
    if len(text) > 60:
        raise BadInput("The attribute is longer than 60 characters.", hint="One to three words do.")
    return text


def tidy_words(attributes: Sequence[str]) -> tuple[str, ...]:
    """The words to tick, each once. Raises BadInput for too many, or one too long."""
    words = [" ".join(word.split()) for word in attributes]
    words = list({word.casefold(): word for word in words if word}.values())
    if len(words) > MOST_WORDS:
        raise BadInput(
            f"{len(words)} words to tick are too many.", hint=f"Name at most {MOST_WORDS}."
        )
    for word in words:
        if len(word) > LONGEST_WORD:
            raise BadInput(
                f"“{word}” is longer than {LONGEST_WORD} characters.", hint="One to three words do."
            )
    return tuple(words)


def checked_votes(votes: int) -> int:
    if isinstance(votes, bool) or not 1 <= votes <= MOST_VOTES:
        raise BadInput(
            f"Each listener can be asked for 1 to {MOST_VOTES} votes, not {votes}.",
            hint="Twelve to twenty-four keep a sitting short.",
        )
    return votes


def tidy_name(name: str) -> str:
    name = " ".join(name.split())
    if not name:
        raise BadInput("The contrast needs a name.", hint="Such as “Stiffer adhesive”.")
    if len(name) > LONGEST_NAME:
        raise BadInput(f"The contrast's name is longer than {LONGEST_NAME} characters.")
    return name


def tidy_reason(reason: str | None) -> str | None:
    reason = " ".join((reason or "").split())
    if len(reason) > LONGEST_REASON:
        raise BadInput(f"The reason is longer than {LONGEST_REASON} characters.")
    return reason or None
