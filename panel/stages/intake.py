"""Takes in: the original kept unchanged, and what it is.

A take is checked and decoded before anything is noted; of a refused file nothing stays. What
the plan covers is refused with Conflict once the plan is locked. The chain log and the excerpts
have files of their own; their functions can be had from here too.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlmodel import Session, select

from panel.audio import decode, loudness, overview
from panel.errors import BadInput, Conflict, NotFound, TooLarge
from panel.settings import Settings
from panel.stages.chain_log import (
    Entry,
    GridView,
    add_factor,
    change_factor,
    factors,
    grid,
    log_take,
    log_takes,
    remove_factor,
)
from panel.stages.excerpts import ExcerptView, add_excerpt, excerpts, remove_excerpt
from panel.stages.rows import TakeView, no_take, take_in, takes_in, tidy_label, twins_of, view_of
from panel.stages.studies import unlocked
from panel.store.files import original_key
from panel.store.session import Store, write_first
from panel.store.tables import Clip, Contrast, Take

__all__ = [
    "Entry", "ExcerptView", "GridView", "Limits", "TakeView", "add_excerpt", "add_factor",
    "add_take", "change_factor", "excerpts", "factors", "grid", "log_take", "log_takes",
    "original", "remove_excerpt", "remove_factor", "remove_take", "take", "takes",
]  # fmt: skip

MOST_TAKES = 200
OVERVIEW_COLUMNS = 800


@dataclass(frozen=True)
class Limits:
    """The largest and longest take that is accepted."""

    bytes: int = 2048 * 2**20
    seconds: float = 90 * 60.0

    @classmethod
    def of(cls, settings: Settings) -> "Limits":
        return cls(settings.upload_limit_mib * 2**20, settings.take_limit_minutes * 60.0)


def add_take(
    store: Store,
    study_id: int,
    file_name: str,
    chunks: Iterable[bytes],
    *,
    label: str = "",
    limits: Limits = Limits(),
) -> TakeView:
    """Keep an upload and note it as a take.

    Raises BadInput for what is no usable sound, TooLarge past the limits, Conflict once locked;
    then nothing is kept.
    """
    name = _file_name(file_name)
    with store.session() as s:
        _room_for_take(s, study_id)
    key, sha256, size = store.files.keep_original(chunks, limits.bytes)
    try:
        described = _describe(store.files.path(key), f"“{name}”", limits)
        with store.session() as s:
            write_first(s)
            there = _room_for_take(s, study_id)
            if not store.files.has(key):
                # The same bytes were being refused elsewhere at this very moment.
                raise Conflict(f"“{name}” could not be kept.", hint="Send it once more.")
            number = max((int(take.key[1:]) for take in there), default=0) + 1
            take = Take(
                study_id=study_id,
                key=f"t{number:02d}",
                label=_free_label(tidy_label(label), number, there),
                recorded_order=max((take.recorded_order for take in there), default=0) + 1,
                sha256=sha256,
                bytes=size,
                file_name=name,
                uploaded_at=store.now(),
                **described,
            )
            s.add(take)
            s.commit()
            return view_of(take, twins_of([*there, take]))
    except BaseException:
        _drop_unused(store, key, sha256)
        raise


def takes(store: Store, study_id: int) -> tuple[TakeView, ...]:
    """The takes in recording order."""
    with store.session() as s:
        found = takes_in(s, study_id)
    twins = twins_of(found)
    return tuple(view_of(take, twins) for take in found)


def take(store: Store, study_id: int, take_key: str) -> TakeView:
    for view in takes(store, study_id):
        if view.key == take_key:
            return view
    raise no_take(take_key)


def remove_take(store: Store, study_id: int, take_key: str) -> None:
    """Remove a take with its clips; the original too, unless another take has the same bytes.

    Raises Conflict while a contrast holds it.
    """
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        found = take_in(s, study_id, take_key)
        for contrast in s.exec(select(Contrast).where(Contrast.study_id == study_id)):
            if any(take_key in side["takes"] for side in contrast.document["conditions"]):
                raise Conflict(
                    f"Take {found.label} stands in the contrast “{contrast.document['name']}”.",
                    hint="Remove the contrast first.",
                )
        clips = s.exec(
            select(Clip).where(Clip.study_id == study_id, Clip.take_key == take_key)
        ).all()
        for clip in clips:
            s.delete(clip)
        s.delete(found)
        s.commit()
    for clip in clips:
        store.files.remove(clip.samples_key)
    _drop_unused(store, original_key(found.sha256), found.sha256)


def original(store: Store, study_id: int, take_key: str) -> tuple[Path, str]:
    """Where the unchanged original lies, and the name it came under."""
    with store.session() as s:
        found = take_in(s, study_id, take_key)
    path = store.files.path(original_key(found.sha256))
    if not path.is_file():
        raise NotFound(
            f"The original of take {found.label} is missing from the data folder.",
            hint="Restore the folder from a backup.",
        )
    return path, found.file_name


def _describe(path: Path, name: str, limits: Limits) -> dict[str, Any]:
    """The columns that the sound itself fills. Decodes all of it: a header may promise much."""
    found = decode.probe(path, name=name)
    if found.seconds > limits.seconds:
        raise TooLarge(
            f"{name} lasts {found.seconds / 60:.0f} minutes; a take may last "
            f"{limits.seconds / 60:g} here.",
            hint="Cut out the part that is to be compared, and send that.",
        )
    if found.channels > 2:
        raise BadInput(
            f"{name} has {found.channels} channels; one or two can be compared.",
            hint="Export the one or two channels that hold the sound, and send that.",
        )
    sound = decode.read(path, name=name)
    level = loudness.integrated(sound.samples, sound.rate)
    picture = overview.envelope(sound.samples, sound.rate, OVERVIEW_COLUMNS)
    return {
        "format": sound.source.format,
        "subtype": sound.source.subtype,
        "bits": sound.source.bits,
        "lossy": sound.source.lossy,
        "rate": sound.rate,
        "channels": sound.channels,
        "frames": sound.frames,
        "loudness_lufs": level if level > float("-inf") else None,
        "overview": {
            "lowest": [round(float(value), 4) for value in picture.lowest],
            "highest": [round(float(value), 4) for value in picture.highest],
            "rms": [round(float(value), 4) for value in picture.rms],
            "seconds": picture.seconds,
        },
    }


def _room_for_take(session: Session, study_id: int) -> list[Take]:
    unlocked(session, study_id)
    there = takes_in(session, study_id)
    if len(there) >= MOST_TAKES:
        raise Conflict(
            f"A study has at most {MOST_TAKES} takes.", hint="Remove one, or make another study."
        )
    return there


def _drop_unused(store: Store, key: str, sha256: str) -> None:
    """Remove an original that no take of any study refers to."""
    with store.session() as s:
        write_first(s)  # so that nobody notes a take with these bytes meanwhile
        if s.exec(select(Take.id).where(Take.sha256 == sha256)).first() is None:
            store.files.remove(key)
        s.rollback()


def _free_label(label: str, number: int, there: list[Take]) -> str:
    taken = {take.label.casefold() for take in there}
    if label and label.casefold() in taken:
        raise BadInput(
            f"There is a take called “{label}” already.", hint="Give this one another name."
        )
    return label or next(
        name for name in (f"{number:02d}", f"t{number:02d}", f"take {number}") if name not in taken
    )


def _file_name(name: str) -> str:
    """The last part of the name a browser sent, without control characters."""
    plain = "".join(c for c in re.split(r"[/\\]", name)[-1] if c.isprintable()).strip()
    return plain[-200:] or "take"
