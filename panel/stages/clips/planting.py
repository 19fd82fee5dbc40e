"""Planted copies of clips, alone where only they are missing.

All clips of an excerpt keep the same headroom. Where a copy needs more of it than there is, all
have to be prepared again; else the copy is made from the clip that is there.
"""

from dataclasses import dataclass

from sqlmodel import Session

from panel.audio import loudness
from panel.audio.prepare import planted
from panel.audio.sound import Audio
from panel.stages.clips.samples import clip_samples, write_clip
from panel.stages.rows import clips_in, clips_missing, excerpts_in, finite, planted_in
from panel.stages.studies import unlocked
from panel.store.session import Store, write_first
from panel.store.tables import Clip

HEADROOM_DBTP = -1.0  # EBU R 128: no true peak above -1 dBTP
QUIETER = 2.0**10


@dataclass(frozen=True, eq=False)
class Copy:
    """A clip with its planted change, and what that makes of its loudness and true peak."""

    samples: Audio
    loudness_lufs: float
    true_peak_db: float


def copy_of(samples: Audio, rate: int, kind: str, amount_db: float) -> Copy:
    """The clip (frames, channels) with a planted change; it may pass full scale."""
    # Changed far below full scale and brought back exactly (a power of two): what passes the
    # peak limit then is dealt with for all clips of the excerpt alike.
    changed = planted.change(samples / QUIETER, rate, kind, amount_db) * QUIETER
    lufs, _ = loudness.for_clip(changed, rate)
    return Copy(changed, lufs, loudness.true_peak_db(changed, rate))


def plant(store: Store, study_id: int) -> bool:
    """Make the planted copies that are missing, if nothing else is; True when all is there now.

    False, and nothing is made, where other clips are missing too, where a copy would pass the
    true-peak limit, or where the study was changed meanwhile: then all are to be prepared.
    """
    with store.session() as s:
        unlocked(s, study_id)
        missing = clips_missing(s, study_id)
        wanted, there = _wanted(s, study_id), _there(s, study_id)
    if missing != "planted":
        return missing == "none"
    made: list[Clip] = []
    done = False
    try:
        for (take_key, excerpt_key), (kind, amount) in wanted.items():
            base = there[take_key.partition("+")[0], excerpt_key]
            samples, rate = clip_samples(store, study_id, base.take_key, excerpt_key)
            copy = copy_of(samples, rate, kind, amount)
            if copy.true_peak_db > HEADROOM_DBTP:
                return False
            made.append(
                Clip(
                    **base.model_dump(exclude={"id"})
                    | {
                        "take_key": take_key,
                        "samples_key": write_clip(
                            store, study_id, take_key, excerpt_key, copy.samples
                        ),
                        "residual_db": None,
                        "loudness_lufs": finite(copy.loudness_lufs),
                        "warnings": [],
                    }
                )
            )
        done = _keep(store, study_id, wanted, there, made)
        return done
    finally:
        if not done:
            for clip in made:
                store.files.remove(clip.samples_key)


Key = tuple[str, str]


def _there(session: Session, study_id: int) -> dict[Key, Clip]:
    return {(clip.take_key, clip.excerpt_key): clip for clip in clips_in(session, study_id)}


def _wanted(session: Session, study_id: int) -> dict[Key, tuple[str, float]]:
    """The planted copies that are missing: kind and amount by take and excerpt."""
    there = _there(session, study_id)
    return {
        (key, excerpt.key): change
        for key, change in planted_in(session, study_id).items()
        for excerpt in excerpts_in(session, study_id)
        if (key, excerpt.key) not in there
    }


def _keep(
    store: Store,
    study_id: int,
    wanted: dict[Key, tuple[str, float]],
    there: dict[Key, Clip],
    made: list[Clip],
) -> bool:
    """Note the copies, unless what they were made from or for has changed meanwhile."""
    with store.session() as s:
        write_first(s)
        unlocked(s, study_id)
        now = {key: clip.samples_key for key, clip in _there(s, study_id).items()}
        same = (
            now == {key: clip.samples_key for key, clip in there.items()}
            and _wanted(s, study_id) == wanted
            and clips_missing(s, study_id) == "planted"
        )
        if same:
            s.add_all(made)
            s.commit()
        return same
