"""What the mails to listeners say: the organiser's words, and the facts that the plan gives."""

import math
from dataclasses import dataclass

from sqlmodel import Session

from panel.errors import BadInput, Conflict, NotFound
from panel.post import outbox
from panel.post.messages import Facts, Kind, Letter, letter
from panel.settings import Settings
from panel.stages.listeners.links import locked_plan
from panel.store.row_id import row_id
from panel.store.session import Store
from panel.store.tables import Listener, Organiser, Study
from panel.study.plan import Plan

LONGEST_WORDS = 4000


@dataclass(frozen=True)
class Words:
    """The organiser's own words in the mails."""

    invitation: str
    privacy: str


def words(store: Store, study_id: int) -> Words:
    with store.session() as s:
        study = s.get_one(Study, study_id)
        return Words(study.invitation_words, study.privacy_words)


def set_words(store: Store, study_id: int, invitation: str, privacy: str) -> None:
    """Keep the organiser's own words for mails written from now on."""
    invitation, privacy = _paragraphs(invitation), _paragraphs(privacy)
    with store.session() as s:
        study = s.get_one(Study, study_id)
        study.invitation_words, study.privacy_words = invitation, privacy
        s.add(study)
        s.commit()


def specimen(store: Store, settings: Settings, study_id: int) -> Letter:
    """The invitation as it would be written now, with links that lead nowhere."""
    with store.session() as s:
        study = open_study(s, study_id)
        return letter(
            "invite", facts_of(s, study), listen_link(settings, "…"), decline_link(settings, "…")
        )


def minutes_needed(plan: Plan) -> int:
    """The minutes that the plan foresees for a listener, as one would say them to somebody:
    rounded up, from ten minutes on to a multiple of five (common practice, no source)."""
    from panel.design.power.planner import minutes_per_listener

    minutes = math.ceil(minutes_per_listener(plan))
    return minutes if minutes < 10 else 5 * math.ceil(minutes / 5)


def open_study(session: Session, study_id: int) -> Study:
    study = session.get(Study, study_id)
    if study is None:
        raise NotFound("There is no such study.")
    if study.locked_at is None:
        raise Conflict(
            "Nobody can be invited before the plan is locked: what is asked, and how it will be "
            "judged, must be fixed before the first vote.",
            hint="Lock the plan first, then invite.",
        )
    if study.closed_at is not None:
        raise Conflict("Voting in this study has ended.", hint="Make a new study to ask further.")
    return study


def facts_of(session: Session, study: Study) -> Facts:
    plan = locked_plan(session, study)
    organiser = session.get_one(Organiser, study.organiser_id)
    return Facts(
        organiser=" ".join(organiser.name.split()) or organiser.address,
        organiser_address=organiser.address,
        words=study.invitation_words,
        privacy=study.privacy_words,
        minutes=minutes_needed(plan),
        votes=plan.votes_per_listener,
    )


def write(
    session: Session,
    store: Store,
    settings: Settings,
    study: Study,
    listener: Listener,
    kind: Kind,
    facts: Facts,
) -> None:
    assert listener.link_sealed is not None
    code = store.sealer.open(listener.link_sealed)
    outbox.write(
        session,
        store,
        study_id=row_id(study),
        listener=listener,
        kind=kind,
        letter=letter(kind, facts, listen_link(settings, code), decline_link(settings, code)),
        hold=not settings.smtp_host,
    )


def listen_link(settings: Settings, code: str) -> str:
    return f"{settings.address}/listen/{code}"


def decline_link(settings: Settings, code: str) -> str:
    return f"{settings.address}/decline/{code}"


def _paragraphs(text: str) -> str:
    """Plain paragraphs: lines trimmed, control characters out."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    clean = "\n".join("".join(c for c in line if c.isprintable()).rstrip() for line in lines)
    if len(clean) > LONGEST_WORDS:
        raise BadInput(
            f"These words are longer than {LONGEST_WORDS} characters.", hint="Shorten them."
        )
    return clean.strip()
