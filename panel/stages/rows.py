"""Rows of one study that several stages read, and takes as the desk sees them.

Every function here takes an open session; whoever opened it commits.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from itertools import product
from math import isfinite
from typing import Literal

from sqlmodel import Session, col, select

from panel.errors import BadInput, NotFound
from panel.store.tables import Clip, Contrast, DrawnOrder, Excerpt, Factor, Plan, Study, Take
from panel.study import factors as design
from panel.study import plan as written
from panel.study import sampling
from panel.study.factors import TakeLog
from panel.study.overview import Overview, read_overview
from panel.study.plan_reading import read_contrast
from panel.study.shapes import NOT_TOLD

LONGEST_LABEL = 40


@dataclass(frozen=True)
class TakeView:
    """A take at the desk. `same_as` names an earlier take with the same bytes, or is "".
    `kept_channels`: those chosen, from 1, of a file with more than two; else empty. `music_at_s`:
    where in the file the music begins after the leader, at which the take begins; else 0."""

    key: str
    label: str
    specimen: str
    session: str
    recorded_order: int
    file_name: str
    sha256: str
    bytes: int
    kind: str
    lossy: bool
    rate: int
    channels: int
    kept_channels: tuple[int, ...]
    music_at_s: float
    seconds: float
    loudness_lufs: float | None
    range_lu: float | None
    notes: str
    same_as: str
    overview: Overview


def factors_in(session: Session, study_id: int) -> tuple[design.Factor, ...]:
    """The study's factors in their order, as the design package has them."""
    found = session.exec(
        select(Factor).where(Factor.study_id == study_id).order_by(col(Factor.position))
    )
    return tuple(
        design.Factor(f.key, f.name, f.kind, f.unit, f.tolerance)  # type: ignore[arg-type]
        for f in found
    )


def takes_in(session: Session, study_id: int) -> list[Take]:
    return list(
        session.exec(
            select(Take)
            .where(Take.study_id == study_id)
            .order_by(col(Take.recorded_order), col(Take.key))
        )
    )


def take_in(session: Session, study_id: int, take_key: str) -> Take:
    found = session.exec(
        select(Take).where(Take.study_id == study_id, Take.key == take_key)
    ).first()
    if found is None:
        raise no_take(take_key)
    return found


def log_of(take: Take) -> TakeLog:
    return TakeLog(take.key, take.recorded_order, take.log, take.label, take.specimen, take.session)


def factor_in(session: Session, study_id: int, key: str) -> Factor:
    found = session.exec(
        select(Factor).where(Factor.study_id == study_id, Factor.key == key)
    ).first()
    if found is None:
        raise NotFound("There is no such factor in this study.")
    return found


def drawn_orders_in(session: Session, study_id: int) -> list[DrawnOrder]:
    """The orders of recording that were drawn, the first at the head."""
    return list(
        session.exec(
            select(DrawnOrder).where(DrawnOrder.study_id == study_id).order_by(col(DrawnOrder.id))
        )
    )


def draws_in(session: Session, study_id: int) -> tuple[sampling.DrawnOrder, ...]:
    """The same as the plan names them."""
    return tuple(map(as_planned, drawn_orders_in(session, study_id)))


def as_planned(row: DrawnOrder) -> sampling.DrawnOrder:
    """A drawn order as the plan names it."""
    return sampling.DrawnOrder(row.session, tuple(row.specimens))


def excerpts_in(session: Session, study_id: int) -> list[Excerpt]:
    return list(
        session.exec(
            select(Excerpt)
            .where(Excerpt.study_id == study_id)
            .order_by(col(Excerpt.start_s), col(Excerpt.key))
        )
    )


def clips_in(session: Session, study_id: int) -> list[Clip]:
    return list(
        session.exec(
            select(Clip)
            .where(Clip.study_id == study_id)
            .order_by(col(Clip.excerpt_key), col(Clip.take_key))
        )
    )


def clip_basis(session: Session, study_id: int) -> str:
    """A hash of everything the clips of the takes are made from: if it changes, they are stale.

    All takes of an excerpt share one loudness and one length, so each depends on every other.
    """
    study = session.get(Study, study_id)
    basis = [
        study.level if study else "",
        # Named only where it was chosen: clips made before it could be stay good.
        *(["by the music"] if study and study.alignment == "music" else []),
        sorted(
            # A choice of channels is named only where there is one: clips made before it was
            # possible stay good.
            [take.key, take.sha256, *([take.kept_channels] if take.kept_channels else [])]
            for take in takes_in(session, study_id)
        ),
        sorted([e.key, e.start_s, e.end_s] for e in excerpts_in(session, study_id)),
    ]
    return sha256(json.dumps(basis).encode()).hexdigest()


def asked_in(row: Contrast) -> written.Contrast:
    """The contrast that a row holds, as it is asked: what the guard says is not kept with it."""
    return read_contrast(
        {**row.document, "id": row.key, "role": row.role},
        "contrast",
        "Remove this contrast and ask it anew.",
    )


def planted_in(session: Session, study_id: int) -> dict[str, tuple[str, float]]:
    """Key of each planted copy (`t01+check`) -> kind and amount in dB of what is planted."""
    found = session.exec(
        select(Contrast).where(Contrast.study_id == study_id, Contrast.role == "planted_check")
    )
    return {
        key: (c.planted.kind, c.planted.amount_db)
        for c in map(asked_in, found)
        if c.planted is not None
        for key in c.sides[1]
    }


def plan_row(session: Session, study_id: int) -> Plan:
    """The study's plan; a fresh draft, not yet added to the database, if there is none."""
    found = session.exec(select(Plan).where(Plan.study_id == study_id)).first()
    return found or Plan(study_id=study_id)


def clips_missing(session: Session, study_id: int) -> Literal["all", "planted", "none"]:
    """What has to be prepared before anybody can listen."""
    made_from = plan_row(session, study_id).document.get("clips_made_from")
    there = {(clip.take_key, clip.excerpt_key) for clip in clips_in(session, study_id)}
    excerpts = [excerpt.key for excerpt in excerpts_in(session, study_id)]
    takes = [take.key for take in takes_in(session, study_id)]
    if made_from != clip_basis(session, study_id) or not there >= set(product(takes, excerpts)):
        return "all"
    if not there >= set(product(planted_in(session, study_id), excerpts)):
        return "planted"
    return "none"


def sound_of(take: Take) -> str:
    """What tells a take's sound from every other: the bytes, and which channels of them."""
    return " ".join([take.sha256, *map(str, sorted(take.kept_channels))])


def twins_of(found: Iterable[Take]) -> dict[str, str]:
    """Key of a take -> name of the first take with the same sound, where there is one before it."""
    first: dict[str, Take] = {}
    twins = {}
    for take in sorted(found, key=lambda take: take.key):
        sound = sound_of(take)
        if sound in first:
            twins[take.key] = first[sound].label
        else:
            first[sound] = take
    return twins


def view_of(take: Take, twins: Mapping[str, str]) -> TakeView:
    bits = f"{take.bits}-bit" if take.bits else take.subtype.replace("_", " ").lower()
    if take.subtype in ("FLOAT", "DOUBLE"):
        bits += " float"
    overview = read_overview(take.overview)
    return TakeView(
        key=take.key,
        label=take.label,
        specimen=take.specimen,
        session=take.session,
        recorded_order=take.recorded_order,
        file_name=take.file_name,
        sha256=take.sha256,
        bytes=take.bytes,
        kind=f"{take.format} {bits}",
        lossy=take.lossy,
        rate=take.rate,
        channels=take.channels,
        kept_channels=tuple(take.kept_channels),
        music_at_s=take.music_at / take.rate,
        seconds=take.frames / take.rate,
        loudness_lufs=take.loudness_lufs,
        range_lu=None if overview.range_lu is NOT_TOLD else overview.range_lu,
        notes=take.notes,
        same_as=twins.get(take.key, ""),
        overview=overview,
    )


def finite(value: float | None) -> float | None:
    """A number that a row can hold: None for what is none, such as the loudness of silence."""
    return float(value) if value is not None and isfinite(value) else None


def no_take(take_key: str) -> NotFound:
    return NotFound("There is no such take in this study.", hint="Choose one from the list.")


def tidy_label(text: str) -> str:
    text = " ".join(text.split())
    if len(text) > LONGEST_LABEL:
        raise BadInput(
            f"The take's name is longer than {LONGEST_LABEL} characters.", hint="Shorten it."
        )
    return text
