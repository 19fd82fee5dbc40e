"""Publishes a study: the archive that anybody can recompute, and what the report page shows."""

import re
from typing import Any

from sqlmodel import select

from panel.stages import conclude
from panel.stages.links import locked_plan
from panel.store.session import Store
from panel.store.tables import Plan, Study


def export(store: Store, study_id: int) -> bytes:
    """The zip with votes, listeners, contrasts, codebook, plan and verdict; no addresses, names,
    network addresses or exact times. Raises NotAllowed while the study is sealed."""
    from panel.report.export import write_zip

    document = conclude.verdict(store, study_id)
    votes, listeners = conclude.vote_table(store, study_id)
    return write_zip(plan_document(store, study_id), votes, listeners, document)


def file_name(store: Store, study_id: int) -> str:
    """A plain name for the archive, from the study's title and the plan's hash."""
    with store.session() as s:
        study = s.get_one(Study, study_id)
        sha256 = s.exec(select(Plan.sha256).where(Plan.study_id == study_id)).first() or ""
    words = re.sub(r"[^a-z0-9]+", "-", study.title.lower()).strip("-")[:48].strip("-")
    return f"fair-hearing-{words or 'study'}-{sha256[:8]}.zip"


def plan_document(store: Store, study_id: int) -> dict[str, Any]:
    """The locked plan. Raises Conflict before the lock."""
    with store.session() as s:
        return locked_plan(s, s.get_one(Study, study_id))


def plan_bytes(store: Store, study_id: int) -> bytes:
    """The plan's canonical bytes, whose SHA-256 is the plan's. Raises Conflict before the lock."""
    with store.session() as s:
        locked_plan(s, s.get_one(Study, study_id))
        canonical = s.exec(select(Plan.canonical).where(Plan.study_id == study_id)).one()
        assert canonical is not None
        return canonical
