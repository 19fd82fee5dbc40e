"""One take, and the channels of a file that has more than two, as facts in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from panel.desk import pictures
from panel.prose import NBSP, decimal, sample_rate
from panel.stages.rows import TakeView
from panel.stages.takes.channel_choice import TrackView, WaitingView

MIB = 2**20


@dataclass(frozen=True)
class ShownTakeFacts:
    """`channels`, `music_at` and `same_as` are "" where there is nothing to be said of them."""

    key: str
    label: str
    file_name: str
    sound: str
    channels: str
    music_at: str
    loudness: str
    order: int
    same_as: str
    notes: str
    sha256: str
    size: str


@dataclass(frozen=True)
class ShownTrack:
    number: str
    level: str
    picture: Markup


def shown_take(take: TakeView) -> ShownTakeFacts:
    return ShownTakeFacts(
        key=take.key,
        label=take.label,
        file_name=take.file_name,
        sound=_sound(take),
        channels=_channels(take.kept_channels),
        music_at=f"{take.music_at_s:.3f} s" if take.music_at_s else "",
        loudness=_loudness(take),
        order=take.recorded_order,
        same_as=take.same_as,
        notes=take.notes,
        sha256=take.sha256,
        size=f"{take.bytes / MIB:.1f} MiB",
    )


def shown_tracks(file: WaitingView) -> tuple[ShownTrack, ...]:
    """One scale of height for all: which channel is louder must be seen."""
    loudest = _loudest(file)
    return tuple(
        ShownTrack(
            number=str(track.number),
            level=_level(track),
            picture=pictures.overview(track.overview, file.seconds, loudest),
        )
        for track in file.tracks
    )


def _sound(take: TakeView) -> str:
    channels = "one channel" if take.channels == 1 else f"{take.channels} channels"
    parts = [f"{take.seconds:.2f} s", take.kind, sample_rate(take.rate), channels]
    return ", ".join([*parts, "lossy"] if take.lossy else parts)


def _channels(kept: Sequence[int]) -> str:
    if not kept:
        return ""
    if len(kept) == 1:
        return f"channel {kept[0]} of the file"
    return f"channel {kept[0]} of the file left, channel {kept[1]} right"


def _loudness(take: TakeView) -> str:
    if take.loudness_lufs is None:
        return "silent"
    said = f"{decimal(take.loudness_lufs, 1)} LUFS"
    if take.range_lu is None:
        return said
    return f"{said}, range {take.range_lu:.1f} LU (EBU Tech 3342)"


def _level(track: TrackView) -> str:
    if track.peak_db is None:
        return "silent"
    rms = "silent" if track.rms_db is None else f"{decimal(track.rms_db, 1)}{NBSP}dB RMS"
    parts = [rms, f"peak {decimal(track.peak_db, 1)}{NBSP}dBFS"]
    if track.loudness_lufs is not None:
        parts.append(f"{decimal(track.loudness_lufs, 1)}{NBSP}LUFS")
    return ", ".join(parts)


def _loudest(file: WaitingView) -> float:
    places = (
        edge for track in file.tracks for edge in (track.overview.lowest, track.overview.highest)
    )
    return max(abs(value) for values in places for value in values)
