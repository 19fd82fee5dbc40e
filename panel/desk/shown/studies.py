"""The list of studies: how far each is, and how much is in it."""

from dataclasses import dataclass

from panel.prose import plural
from panel.stages.studies import StudyView

STATES = {"draft": "being prepared", "open": "locked, taking votes", "closed": "closed"}


@dataclass(frozen=True)
class ListedStudy:
    href: str
    title: str
    question: str
    state: str
    counts: str  # of takes, listeners and votes
    next_text: str
    next_href: str


def listed_study(study: StudyView) -> ListedStudy:
    counts = (
        plural(study.takes, "take"),
        plural(study.listeners, "listener"),
        plural(study.votes, "vote"),
    )
    return ListedStudy(
        href=study.href,
        title=study.title,
        question=study.question,
        state="kept as it was" if study.of_format_1 else STATES[study.state],
        counts=", ".join(counts),
        next_text=study.next_text,
        next_href=study.next_href,
    )
