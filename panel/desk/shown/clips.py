"""The tables of clips: what was done to each, as words."""

from dataclasses import dataclass
from urllib.parse import quote

from panel.prose import cell, sample_rate
from panel.stages.clips.prepare import ClipView, ExcerptClips


@dataclass(frozen=True)
class ShownClip:
    """`file` is its address under that of the clips, `play` what its button says."""

    take: str
    planted: str
    gain_db: str
    delay_ms: str
    drift_ppm: str
    polarity: str
    residual_db: str
    loudness_lufs: str
    file: str
    play: str


@dataclass(frozen=True)
class ShownClips:
    """The clips of one excerpt."""

    name: str
    sound: str
    clips: tuple[ShownClip, ...]
    notes: tuple[str, ...]


def shown_clips(table: ExcerptClips) -> ShownClips:
    return ShownClips(
        name=table.name,
        sound=f"{table.seconds:.2f} s, {sample_rate(table.rate)}",
        clips=tuple(_clip(clip) for clip in table.clips),
        notes=table.notes,
    )


def prepare_words(*, there: bool, stale: bool) -> str:
    """What the button says that prepares clips, by whether some are there and still good."""
    if not there:
        return "Prepare the clips"
    return "Prepare them again" if stale else "Keep this choice"


def _clip(clip: ClipView) -> ShownClip:
    copy = " planted" if clip.planted else ""
    return ShownClip(
        take=clip.take_name,
        planted=clip.planted,
        gain_db=cell(clip.gain_db, 2, sign=True),
        delay_ms=cell(clip.delay_ms, 3, sign=True),
        drift_ppm=cell(clip.drift_ppm, 1, sign=True),
        polarity="turned" if clip.inverted else "as it was",
        residual_db=cell(clip.residual_db, 1, sign=True),
        loudness_lufs=cell(clip.loudness_lufs, 2, sign=True),
        file=f"{clip.excerpt_key}/{quote(clip.take_key)}.wav",
        play=f"Play {clip.take_name}{copy}, {clip.excerpt_name}",
    )
