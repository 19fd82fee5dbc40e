"""Takes in: the original kept unchanged, and what it is.

A take is checked and decoded before anything is noted; of a refused file nothing stays. Where a
leader is found, the take is the music after it, and what the leader tells is noted. What the plan
covers is refused with Conflict once the plan is locked. The chain log and the excerpts
have files of their own; their functions can be had from here too.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session, select

from panel.audio.intake import description
from panel.audio.intake.description import Description
from panel.audio.intake.overview import Envelope
from panel.audio.leader import find, measured
from panel.audio.leader.find import LeaderIn
from panel.audio.leader.measured import KeptChannel
from panel.audio.reading import decode, files, stretches
from panel.audio.reading.stretches import Recording
from panel.audio.sound import Probe, Source
from panel.errors import BadInput, Conflict, TooLarge
from panel.settings import Settings
from panel.stages.rows import (
    TakeView,
    asked_in,
    finite,
    no_take,
    take_in,
    takes_in,
    tidy_label,
    twins_of,
    view_of,
)
from panel.stages.studies import unlocked
from panel.stages.takes.chain_log import (
    Entry,
    GridView,
    add_factor,
    change_factor,
    factors,
    grid,
    log_take,
    log_takes,
    name_carrier,
    remove_factor,
)
from panel.stages.takes.excerpts import ExcerptView, add_excerpt, excerpts, remove_excerpt
from panel.stages.takes.originals import path_of, referred_to
from panel.store.files import original_key
from panel.store.session import Store, write_first
from panel.store.tables import Clip, Contrast, FoundLeader, Take, WaitingFile
from panel.study.overview import Overview
from panel.study.shapes import NOT_TOLD, NotTold, written

__all__ = [
    "Entry", "ExcerptView", "GridView", "Limits", "Received", "TakeView", "add_excerpt",
    "add_factor", "add_take", "change_factor", "excerpts", "factors", "grid", "log_take",
    "log_takes", "name_carrier", "note_take", "original", "receive", "remove_excerpt",
    "remove_factor", "remove_take", "take", "takes",
]  # fmt: skip

MOST_TAKES = 200
OVERVIEW_COLUMNS = 800
AT_ONCE = 2**25
"""Samples, all channels counted, up to which a file is decoded whole (256 MiB)."""


@dataclass(frozen=True)
class Limits:
    """The largest and longest take that is accepted."""

    bytes: int = 2048 * 2**20
    seconds: float = 90 * 60.0

    @classmethod
    def of(cls, settings: Settings) -> "Limits":
        return cls(settings.upload_limit_mib * 2**20, settings.take_limit_minutes * 60.0)


@dataclass(frozen=True)
class Received:
    """An upload that lies among the originals, before anything is noted of it."""

    name: str
    key: str
    sha256: str
    bytes: int


def add_take(
    store: Store,
    study_id: int,
    file_name: str,
    chunks: Iterable[bytes],
    *,
    label: str = "",
    channels: Sequence[int] | None = None,
    limits: Limits = Limits(),
) -> TakeView:
    """Keep an upload and note it as a take.

    `channels`: the one or two that are the take, from 1; needed for files with more than two.
    Raises BadInput for what is no usable sound, TooLarge past the limits, Conflict once locked;
    then nothing is kept.
    """
    sent = receive(store, study_id, file_name, chunks, limits)
    return note_take(store, study_id, sent, label=label, channels=channels, limits=limits)


def receive(
    store: Store, study_id: int, file_name: str, chunks: Iterable[bytes], limits: Limits
) -> Received:
    """Keep an upload among the originals; to be followed by `note_take`, or by `drop`."""
    with store.session() as s:
        room_for_take(s, study_id)
    key, sha256, size = store.files.keep_original(chunks, limits.bytes)
    return Received(_file_name(file_name), key, sha256, size)


def note_take(
    store: Store,
    study_id: int,
    sent: Received,
    *,
    label: str = "",
    channels: Sequence[int] | None = None,
    limits: Limits = Limits(),
    waited: int | None = None,
) -> TakeView:
    """Note an upload as a take; `waited` is the waiting file that it was until now.

    Raises as `add_take` does; the original is removed then, unless something else refers to it.
    """
    try:
        described = _describe(store.files.path(sent.key), f"“{sent.name}”", limits, channels)
        with store.session() as s:
            write_first(s)
            there = room_for_take(s, study_id)
            if not store.files.has(sent.key):
                # The same bytes were being refused elsewhere at this very moment.
                raise Conflict(f"“{sent.name}” could not be kept.", hint="Send it once more.")
            if waited is not None:
                row = s.get(WaitingFile, waited)
                if row is None:
                    raise Conflict(f"“{sent.name}” waits no longer.", hint="Reload the page.")
                s.delete(row)
            take = described.row(study_id, sent, there, label, store.now())
            s.add(take)
            if described.leader is not None:
                s.flush()  # gives the take its id
                s.add(described.leader.row(take.id or 0))
            s.commit()
            return view_of(take, twins_of([*there, take]))
    except BaseException:
        drop(store, sent.sha256)
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
            if take_key in asked_in(contrast).side_of:
                raise Conflict(
                    f"Take {found.label} stands in the contrast “{asked_in(contrast).name}”.",
                    hint="Remove the contrast first.",
                )
        clips = s.exec(
            select(Clip).where(Clip.study_id == study_id, Clip.take_key == take_key)
        ).all()
        for clip in clips:
            s.delete(clip)
        for leader in s.exec(select(FoundLeader).where(FoundLeader.take_id == found.id)):
            s.delete(leader)
        s.flush()
        s.delete(found)
        s.commit()
    for clip in clips:
        store.files.remove(clip.samples_key)
    drop(store, found.sha256)


def original(store: Store, study_id: int, take_key: str) -> tuple[Path, str]:
    """Where the unchanged original lies, and the name it came under."""
    with store.session() as s:
        found = take_in(s, study_id, take_key)
    return path_of(store, found), found.file_name


def probed(path: Path, name: str, limits: Limits) -> Probe:
    """What a file says of itself. Raises as `decode.probe` does, and TooLarge past the limits."""
    found = decode.probe(path, name=name)
    if found.seconds > limits.seconds:
        raise TooLarge(
            f"{name} lasts {found.seconds / 60:.0f} minutes; a take may last "
            f"{limits.seconds / 60:g} here.",
            hint="Cut out the part that is to be compared, and send that.",
        )
    return found


def pictured(picture: Envelope, range_lu: float | NotTold | None = None) -> Overview:
    """An overview as it is kept."""

    def rounded(values: NDArray[np.float64]) -> tuple[float, ...]:
        return tuple(round(float(value), 4) for value in values)

    return Overview(
        rounded(picture.lowest),
        rounded(picture.highest),
        rounded(picture.rms),
        picture.seconds,
        range_lu,
    )


@dataclass(frozen=True)
class _Leader:
    """Where a leader lies in the file, and what it tells channel by channel."""

    found: LeaderIn
    channels: tuple[KeptChannel, ...]

    def row(self, take_id: int) -> FoundLeader:
        return FoundLeader(
            take_id=take_id,
            start=self.found.start,
            drift_ppm=self.found.drift_ppm,
            inverted=self.found.inverted,
            likeness=self.found.likeness,
            layout=self.found.layout.key,
            channels=[written(channel) for channel in self.channels],
        )


@dataclass(frozen=True)
class _Described:
    """What the sound of a take is, after its leader where there is one."""

    source: Source
    rate: int
    channels: int
    frames: int
    kept_channels: tuple[int, ...]
    described: Description
    leader: _Leader | None

    def row(
        self, study_id: int, sent: Received, there: list[Take], label: str, now: datetime
    ) -> Take:
        """A take to be noted after those that are there."""
        number = max((int(take.key[1:]) for take in there), default=0) + 1
        lufs, range_lu = self.described.lufs, self.described.range_lu
        overview = pictured(self.described.envelope, NOT_TOLD if range_lu is None else range_lu)
        return Take(
            study_id=study_id,
            key=f"t{number:02d}",
            label=_free_label(tidy_label(label), number, there),
            recorded_order=max((take.recorded_order for take in there), default=0) + 1,
            sha256=sent.sha256,
            bytes=sent.bytes,
            file_name=sent.name,
            format=self.source.format,
            subtype=self.source.subtype,
            bits=self.source.bits,
            lossy=self.source.lossy,
            rate=self.rate,
            channels=self.channels,
            kept_channels=list(self.kept_channels),
            music_at=self.leader.found.music_at if self.leader else 0,
            frames=self.frames,
            loudness_lufs=finite(lufs),
            overview=overview.document(),
            uploaded_at=now,
        )


def _describe(path: Path, name: str, limits: Limits, channels: Sequence[int] | None) -> _Described:
    """What the file holds. Decodes all of it: a header may promise much."""
    found = probed(path, name, limits)
    whole: Recording
    if found.frames * found.channels <= AT_ONCE:
        whole = decode.read(path, channels=channels, name=name)
    else:
        whole = files.opened(path, channels=channels, name=name, checked=True)
    at = find.find_in(whole, name)
    leader = None
    if at is not None:
        leader = _Leader(at, measured.of_take(whole, at))
        find.check_music(whole.frames, at, name)
    sound = stretches.beginning_at(whole, at.music_at if at else 0)
    return _Described(
        source=sound.source,
        rate=sound.rate,
        channels=sound.channels,
        frames=sound.frames,
        kept_channels=tuple(channels or ()) if found.channels > 2 else (),
        described=description.of(sound, OVERVIEW_COLUMNS),
        leader=leader,
    )


def room_for_take(session: Session, study_id: int) -> list[Take]:
    """The takes there are. Raises Conflict once locked, or where another is too many."""
    unlocked(session, study_id)
    there = takes_in(session, study_id)
    if len(there) >= MOST_TAKES:
        raise Conflict(
            f"A study has at most {MOST_TAKES} takes.", hint="Remove one, or make another study."
        )
    return there


def drop(store: Store, sha256: str) -> None:
    """Remove an original, unless a take of any study refers to it, or a file that waits."""
    with store.session() as s:
        write_first(s)  # so that nobody notes a take with these bytes meanwhile
        if sha256 not in referred_to(s, [sha256]):
            store.files.remove(original_key(sha256))
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
