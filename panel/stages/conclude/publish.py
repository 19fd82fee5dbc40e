"""Publishes a study: the archive that anybody can recompute, and what the report page shows."""

import re
from datetime import datetime
from typing import Any

from babel import Locale
from babel.dates import format_date
from sqlalchemy import func
from sqlmodel import select

from panel.prose import ENGLISH, Language
from panel.stages.conclude import ending, vote_table
from panel.stages.listen import reasons
from panel.stages.listeners.links import locked_plan
from panel.store.session import Store
from panel.store.tables import Organiser, Study, Vote
from panel.store.tables import Plan as Row
from panel.study.plan import Plan


def export(store: Store, study_id: int, *, with_reasons: bool = False) -> bytes:
    """The zip with votes, listeners, contrasts, codebook, plan and verdict; no addresses, names,
    network addresses or exact times. `with_reasons` adds what listeners wrote, by which they may
    be known: only where the organiser has read it and says so. Raises NotAllowed while the study is
    sealed."""
    from panel.report.archive.export import write_zip

    document = ending.verdict(store, study_id)
    votes, listeners = vote_table.vote_table(store, study_id)
    words = reasons.as_csv(store, study_id) if with_reasons else None
    return write_zip(plan_of(store, study_id), votes, listeners, document, reasons=words)


def file_name(store: Store, study_id: int) -> str:
    """A plain name for the archive, from the study's title and the plan's hash."""
    with store.session() as s:
        study = s.get_one(Study, study_id)
        sha256 = s.exec(select(Row.sha256).where(Row.study_id == study_id)).first() or ""
    words = re.sub(r"[^a-z0-9]+", "-", study.title.lower()).strip("-")[:48].strip("-")
    return f"fair-hearing-{words or 'study'}-{sha256[:8]}.zip"


def report_context(
    store: Store,
    study_id: int,
    *,
    export_url: str = "",
    plan_url: str = "",
    say: Language = ENGLISH,
) -> dict[str, Any]:
    """What the template of the report reads, in a language. Raises NotAllowed while the study is
    sealed."""
    from panel.report.page.contents import context

    document = ending.verdict(store, study_id)
    votes, listeners = vote_table.vote_table(store, study_id)
    with store.session() as s:
        study = s.get_one(Study, study_id)
        organiser = s.get_one(Organiser, study.organiser_id)
        days = s.exec(
            select(func.min(Vote.received_at), func.max(Vote.received_at)).where(
                Vote.study_id == study_id
            )
        ).one()
    return context(
        plan_of(store, study_id),
        document,
        votes,
        listeners,
        ending.measured(store, study_id).by_question,
        organiser=organiser.name,
        dates=_dates(say, study.locked_at, *days),
        export_url=export_url,
        plan_url=plan_url,
        say=say,
    )


def _dates(
    say: Language, locked: datetime | None, first: datetime | None, last: datetime | None
) -> str:
    """Days only: "plan locked 2 May 2026, votes 3 May 2026 to 17 May 2026"."""
    parts = []
    if locked is not None:
        parts.append(say("plan locked {day}", day=_day(say, locked)))
    if first is not None and last is not None:
        if first.date() == last.date():
            parts.append(say("votes {day}", day=_day(say, first)))
        else:
            days = {"first": _day(say, first), "last": _day(say, last)}
            parts.append(say("votes {first} to {last}", **days))
    return ", ".join(parts)


def _day(say: Language, at: datetime) -> str:
    if say.code == ENGLISH.code:
        return f"{at.day} {at:%B %Y}"
    return format_date(at, "long", locale=Locale.parse(say.code, sep="-"))


def plan_of(store: Store, study_id: int) -> Plan:
    """The locked plan. Raises Conflict before the lock."""
    with store.session() as s:
        return locked_plan(s, s.get_one(Study, study_id))


def plan_bytes(store: Store, study_id: int) -> bytes:
    """The plan's canonical bytes, whose SHA-256 is the plan's. Raises Conflict before the lock."""
    return plan_of(store, study_id).canonical
