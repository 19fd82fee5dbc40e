"""Files with more than two channels: kept while their organiser says which of them are the take.

Nothing is guessed: a wrong pair, once voted on, cannot be mended. What waits belongs to no
contrast and is no take; chosen or discarded, it waits no longer.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import log10

from sqlmodel import Session, col, select

from panel.audio.intake import tracks
from panel.audio.reading import files
from panel.errors import BadInput, Conflict, NotFound
from panel.stages.rows import TakeView, finite
from panel.stages.takes.intake import (
    OVERVIEW_COLUMNS,
    Limits,
    Received,
    drop,
    note_take,
    pictured,
    probed,
    receive,
    room_for_take,
)
from panel.store.files import original_key
from panel.store.session import Store, write_first
from panel.store.tables import WaitingFile
from panel.study.documents import Entry
from panel.study.overview import HINT, Overview
from panel.study.shapes import read, written

MOST_CHANNELS = 16


@dataclass(frozen=True)
class TrackView:
    """One channel of a file that waits. Level in dB re full scale (RMS, a full-scale sine reads
    −3.01), loudness in LUFS by itself; None where it is silent."""

    number: int
    rms_db: float | None
    peak_db: float | None
    loudness_lufs: float | None
    overview: Overview


@dataclass(frozen=True)
class WaitingView:
    """A file that waits for its channels to be chosen."""

    id: int
    file_name: str
    rate: int
    seconds: float
    tracks: tuple[TrackView, ...]


def take_or_wait(
    store: Store,
    study_id: int,
    file_name: str,
    chunks: Iterable[bytes],
    *,
    limits: Limits,
) -> TakeView | WaitingView:
    """Note an upload as a take; with more than two channels keep it until two are chosen.

    Raises as `intake.add_take` does; then nothing is kept.
    """
    sent = receive(store, study_id, file_name, chunks, limits)
    path, name = store.files.path(sent.key), f"“{sent.name}”"
    try:
        found = probed(path, name, limits)
        if 2 < found.channels <= MOST_CHANNELS:
            found_tracks = [
                track
                for first in range(1, found.channels + 1, 2)
                for track in _tracks(store, sent, first, min(first + 1, found.channels))
            ]
            with store.session() as s:
                write_first(s)
                room_for_take(s, study_id)
                if not store.files.has(sent.key):
                    raise Conflict(f"{name} could not be kept.", hint="Send it once more.")
                row = WaitingFile(
                    study_id=study_id,
                    sha256=sent.sha256,
                    bytes=sent.bytes,
                    file_name=sent.name,
                    rate=found.rate,
                    frames=found.frames,
                    tracks=[written(track) for track in found_tracks],
                    uploaded_at=store.now(),
                )
                s.add(row)
                s.commit()
                return _view(row)
        if found.channels > MOST_CHANNELS:
            raise BadInput(
                f"{name} has {found.channels} channels; two can be chosen from at most "
                f"{MOST_CHANNELS}.",
                hint="Export the one or two channels that hold the sound, and send that.",
            )
    except BaseException:
        drop(store, sent.sha256)
        raise
    return note_take(store, study_id, sent, limits=limits)


def waiting(store: Store, study_id: int) -> tuple[WaitingView, ...]:
    """The files that wait, in the order they came."""
    with store.session() as s:
        rows = s.exec(
            select(WaitingFile)
            .where(WaitingFile.study_id == study_id)
            .order_by(col(WaitingFile.uploaded_at), col(WaitingFile.id))
        )
        return tuple(_view(row) for row in rows)


def one(store: Store, study_id: int, waiting_id: int) -> WaitingView:
    with store.session() as s:
        return _view(_row(s, study_id, waiting_id))


def choose(
    store: Store,
    study_id: int,
    waiting_id: int,
    channels: Sequence[int],
    *,
    limits: Limits,
) -> TakeView:
    """Make the file that waits a take of one or two of its channels (left, right), from 1.

    Raises BadInput for a channel that it has not, or the same one twice; the file waits on then.
    """
    with store.session() as s:
        row = _row(s, study_id, waiting_id)
    if len(channels) == 2 and channels[0] == channels[1]:
        raise BadInput(
            f"Channel {channels[0]} cannot be both left and right.",
            hint="Choose two channels; or one, for a take in mono.",
        )
    sent = Received(row.file_name, original_key(row.sha256), row.sha256, row.bytes)
    return note_take(store, study_id, sent, channels=channels, limits=limits, waited=waiting_id)


def discard(store: Store, study_id: int, waiting_id: int) -> None:
    """Remove a file that waits; at any time, as no plan knows of it."""
    with store.session() as s:
        write_first(s)
        row = _row(s, study_id, waiting_id)
        s.delete(row)
        s.commit()
    drop(store, row.sha256)


def _tracks(store: Store, sent: Received, first: int, last: int) -> list[TrackView]:
    """Level and picture of channels first to last, one or two, reading the file once."""
    numbers = range(first, last + 1)
    recording = files.opened(
        store.files.path(sent.key), channels=list(numbers), name=f"“{sent.name}”", checked=True
    )
    return [
        TrackView(
            number=number,
            rms_db=_db(track.rms),
            peak_db=_db(track.peak),
            loudness_lufs=finite(track.loudness_lufs),
            overview=pictured(track.envelope),
        )
        for number, track in zip(numbers, tracks.of(recording, OVERVIEW_COLUMNS), strict=True)
    ]


def _db(value: float) -> float | None:
    return 20 * log10(value) if value > 0 else None


def _row(session: Session, study_id: int, waiting_id: int) -> WaitingFile:
    row = session.get(WaitingFile, waiting_id)
    if row is None or row.study_id != study_id:
        raise NotFound("This file waits no longer.", hint="Go back to the takes.")
    return row


def _view(row: WaitingFile) -> WaitingView:
    return WaitingView(
        id=row.id or 0,
        file_name=row.file_name,
        rate=row.rate,
        seconds=row.frames / row.rate,
        tracks=tuple(
            read(TrackView, Entry(track, "file that waits", HINT)) for track in row.tracks
        ),
    )
