"""Makes what a listener hears of a trial: one print for each slot, all made in one go.

The blinding contract decides the shape of this file. Both clips are fetched before either is
rendered, the slots are rendered in an order drawn anew, and every print has dither of its own,
so that neither time nor bytes tell which two slots hold the same take.
"""

import secrets
from dataclasses import dataclass

import numpy as np
from sqlmodel import select

from panel.audio.prints import wav24
from panel.audio.sound import Audio
from panel.errors import Conflict, NotFound
from panel.stages.links import holder, refuse_unless_open
from panel.store.session import Store
from panel.store.tables import Clip, Trial


@dataclass(frozen=True)
class Prints:
    """WAV files by slot, equal in length; `rate` in Hz, `frames` in each."""

    wavs: tuple[bytes, ...]
    rate: int
    frames: int


def trial_prints(store: Store, code: str, trial_number: int) -> Prints:
    """Fresh prints of all slots of a listener's trial.

    Raises NotFound for a trial that is not this listener's, Gone after revocation or closing,
    Conflict when the clips of the trial are not alike in length, rate or channels.
    """
    with store.session() as s:
        listener, study = holder(s, code)
        refuse_unless_open(study)
        trial = s.exec(
            select(Trial).where(Trial.listener_id == listener.id, Trial.number == trial_number)
        ).first()
        if trial is None:
            raise NotFound("There is no such trial behind this link.")
        study_id, excerpt, slots = trial.study_id, trial.excerpt_key, list(trial.slots)
    clips = {take: _clip(store, study_id, take, excerpt) for take in sorted(set(slots))}
    if len({(rate, samples.shape) for samples, rate in clips.values()}) != 1:
        raise Conflict(
            "The clips of this trial are not alike in length or rate, which would give them away.",
            hint="Tell whoever invited you: the clips have to be prepared again.",
        )
    rate = next(iter(clips.values()))[1]
    return in_slots([clips[take][0] for take in slots], rate)


def sample(store: Store, code: str, trial_number: int, slot: int) -> bytes:
    """One fresh print of the sample in a slot (0-based) of a listener's trial."""
    wavs = trial_prints(store, code, trial_number).wavs
    if not 0 <= slot < len(wavs):
        raise NotFound("There is no such sample in this trial.")
    return wavs[slot]


def in_slots(sounds: list[Audio], rate: int) -> Prints:
    """Prints of equally long sounds, rendered in an order drawn anew."""
    wavs: dict[int, bytes] = {}
    order = list(range(len(sounds)))
    secrets.SystemRandom().shuffle(order)
    for slot in order:
        wavs[slot] = wav24(sounds[slot], rate, np.random.default_rng())
    return Prints(tuple(wavs[slot] for slot in range(len(sounds))), rate, len(sounds[0]))


def material(store: Store, code: str) -> tuple[int, float]:
    """Rate in Hz and mean loudness in LUFS of the study's clips, for what is played beside them."""
    with store.session() as s:
        listener, _ = holder(s, code)
        clips = list(s.exec(select(Clip).where(Clip.study_id == listener.study_id)))
    loudness = [clip.loudness_lufs for clip in clips if clip.loudness_lufs is not None]
    return (clips[0].rate if clips else 48_000), float(np.mean(loudness)) if loudness else -23.0


def _clip(store: Store, study_id: int, take: str, excerpt: str) -> tuple[Audio, int]:
    from panel.stages.prepare import clip_samples  # brings scipy.signal: only where it is used

    return clip_samples(store, study_id, take, excerpt)
