"""Why listeners preferred what they did, in their own words and by words to tick.

Words can tell who wrote them, so they are kept apart from the votes, never go into the anonymised
table, and are shown to nobody before voting has ended.
"""

import csv
import io
from collections import Counter
from dataclasses import dataclass

from sqlmodel import Session, col, delete, select

from panel.errors import BadInput, NotAllowed
from panel.marked import N_
from panel.procedures.base import ANSWERS
from panel.stages.listeners.links import locked_plan
from panel.store.session import Store
from panel.store.tables import Reason, Study, Trial, Vote
from panel.study.plan import Contrast, Plan

LONGEST = 500
COLUMNS = ("contrast", "preferred", "ticked", "words")
NEITHER, RETAKE = "neither", "a retake of the same"
Row = tuple[str, str, list[str], str]
"""Contrast, what was preferred, ticked, words."""


@dataclass(frozen=True)
class Side:
    """What was said by votes that preferred one condition (or neither): `ticked` (word, times),
    `words` in alphabetical order, which tells nothing of when or by whom."""

    label: str
    votes: int
    ticked: tuple[tuple[str, int], ...]
    words: tuple[str, ...]


@dataclass(frozen=True)
class Told:
    """The reasons of one preference contrast."""

    name: str
    sides: tuple[Side, ...]


def checked(contrast: Contrast, words: str, ticked: list[str]) -> tuple[str, list[str]]:
    """A reason as it may be kept. Raises BadInput where the plan asks for none, or it is odd."""
    words = " ".join(words.split())
    asked = contrast.attributes
    if (words and not contrast.reasons) or any(word not in asked for word in ticked):
        raise BadInput(N_("This trial does not ask for that reason."), hint=N_("Reload the page."))
    if len(words) > LONGEST:
        raise BadInput(
            f"The reason is longer than {LONGEST} characters.", hint=N_("Please shorten.")
        )
    return words, [word for word in asked if word in ticked]


def keep(session: Session, study_id: int, vote_id: int, words: str, ticked: list[str]) -> None:
    """Add a reason to the open transaction; nothing where nothing was said."""
    if words or ticked:
        session.add(Reason(study_id=study_id, vote_id=vote_id, words=words, ticked=ticked))


def forget(session: Session, listener_id: int | None) -> None:
    """Delete what a listener wrote and ticked."""
    own = select(Vote.id).where(Vote.listener_id == listener_id)
    session.exec(delete(Reason).where(col(Reason.vote_id).in_(own)))


def told(store: Store, study_id: int) -> tuple[Told, ...]:
    """All reasons by contrast and side. Raises NotAllowed while the study is sealed."""
    plan, rows = _rows(store, study_id)
    out = []
    for contrast in plan.contrasts:
        own = [row for row in rows if row[0] == contrast.id]
        if not own:
            continue
        labels = [side.label for side in contrast.conditions]
        sides = []
        for label in [*labels, NEITHER, RETAKE]:
            here = [row for row in own if row[1] == label]
            if not here:
                continue
            counts = Counter(word for row in here for word in row[2])
            sides.append(
                Side(
                    label,
                    len(here),
                    tuple((word, counts[word]) for word in contrast.attributes if counts[word]),
                    tuple(sorted((row[3] for row in here if row[3]), key=str.casefold)),
                )
            )
        out.append(Told(contrast.name, tuple(sides)))
    return tuple(out)


def as_csv(store: Store, study_id: int) -> str:
    """reasons.csv: one row a reason, without listener, time or excerpt, in alphabetical order.

    Raises NotAllowed while the study is sealed.
    """
    return _csv(_rows(store, study_id)[1])


def csv_in(session: Session, study_id: int, plan: Plan) -> str:
    """The same within a transaction, under a plan that need not be the study's present one."""
    return _csv(_rows_in(session, study_id, plan))


def _csv(rows: list[Row]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    table = [(where, label, " | ".join(ticked), words) for where, label, ticked, words in rows]
    writer.writerows(sorted(table))
    return out.getvalue()


def _rows(store: Store, study_id: int) -> tuple[Plan, list[Row]]:
    with store.session() as s:
        study = s.get_one(Study, study_id)
        if study.closed_at is None:
            raise NotAllowed(
                N_("What listeners wrote is sealed until voting has ended."),
                hint=N_("It stands with the verdict."),
            )
        plan = locked_plan(s, study)
        return plan, _rows_in(s, study_id, plan)


def _rows_in(session: Session, study_id: int, plan: Plan) -> list[Row]:
    rows = []
    for reason, vote, trial in session.exec(
        select(Reason, Vote, Trial)
        .join(Vote, col(Vote.id) == col(Reason.vote_id))
        .join(Trial, col(Trial.id) == col(Vote.trial_id))
        .where(Reason.study_id == study_id)
    ):
        side = {
            take: condition.label
            for condition in plan.contrast(trial.contrast_key).conditions
            for take in condition.takes
        }
        if ANSWERS[vote.answer] == "neither":
            label = NEITHER
        elif len({side[take] for take in trial.slots}) < 2:
            label = RETAKE
        else:
            label = side[trial.slots[vote.answer]]
        rows.append((trial.contrast_key, label, list(reason.ticked), reason.words))
    return rows
