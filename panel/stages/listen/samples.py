"""Makes what a listener hears of a trial: one print for each slot, all made in one go, or all
drawn from those that were made ahead.

The blinding contract decides the shape of this file. Both clips are fetched before either is
rendered, the slots are rendered in an order drawn anew, and every print has dither of its own,
so that neither time nor bytes tell which two slots hold the same take.
"""

import secrets

import numpy as np
from sqlmodel import select

from panel.audio.prepare.prints import wav24
from panel.audio.sound import Audio
from panel.errors import Conflict, NotFound
from panel.marked import N_
from panel.procedures.catalogue import procedure
from panel.stages.clips.samples import clip_samples
from panel.stages.listen.print_pool import Prints, pool_of
from panel.stages.listeners.links import holder, locked_plan, refuse_unless_open
from panel.store.session import Store
from panel.store.tables import Clip, Trial
from panel.study.plan import Contrast


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
            raise NotFound(N_("There is no such trial behind this link."))
        study_id, excerpt, slots = trial.study_id, trial.excerpt_key, played(trial)
        others = _others(locked_plan(s, study).contrast(trial.contrast_key), trial)
    pool = pool_of(store)
    drawn = pool.draw(study_id, excerpt, slots) if pool else None
    if drawn is not None:
        return drawn
    fetched = sorted({*slots, *others})
    clips = {take: clip_samples(store, study_id, take, excerpt) for take in fetched}
    if len({(rate, samples.shape) for samples, rate in clips.values()}) != 1:
        raise Conflict(
            N_(
                "The clips of this trial are not alike in length or rate, "
                "which would give them away."
            ),
            hint=N_("Tell whoever invited you: the clips have to be prepared again."),
        )
    rate = next(iter(clips.values()))[1]
    return in_slots([clips[take][0] for take in slots], rate)


def played(trial: Trial) -> list[str]:
    """The takes that are heard, by slot: a slot beyond them only names a take (see draw_key)."""
    return list(trial.slots)[: procedure(trial.procedure).samples]


def sample(store: Store, code: str, trial_number: int, slot: int) -> bytes:
    """One fresh print of the sample in a slot (0-based) of a listener's trial."""
    wavs = trial_prints(store, code, trial_number).wavs
    if not 0 <= slot < len(wavs):
        raise NotFound(N_("There is no such sample in this trial."))
    return wavs[slot]


def in_slots(sounds: list[Audio], rate: int) -> Prints:
    """Prints of equally long sounds, rendered in an order drawn anew."""
    wavs: dict[int, bytes] = {}
    order = list(range(len(sounds)))
    secrets.SystemRandom().shuffle(order)
    for slot in order:
        wavs[slot] = fresh_print(sounds[slot], rate)
    return Prints(tuple(wavs[slot] for slot in range(len(sounds))), rate, len(sounds[0]))


def fresh_print(sound: Audio, rate: int) -> bytes:
    """A print (WAV) with dither of its own."""
    return wav24(sound, rate, np.random.default_rng())


def material(store: Store, code: str) -> tuple[int, float]:
    """Rate in Hz and mean loudness in LUFS of the study's clips, for what is played beside them."""
    with store.session() as s:
        listener, _ = holder(s, code)
        clips = list(s.exec(select(Clip).where(Clip.study_id == listener.study_id)))
    loudness = [clip.loudness_lufs for clip in clips if clip.loudness_lufs is not None]
    return (clips[0].rate if clips else 48_000), float(np.mean(loudness)) if loudness else -23.0


def _others(contrast: Contrast, trial: Trial) -> list[str]:
    """A take to be fetched beside those of a trial whose slots all hold one and the same: two are
    fetched for every trial, or the time it takes would tell “same” from “different”."""
    heard = set(played(trial))
    there = sorted(set(contrast.side_of) - heard)
    chosen = [secrets.choice(there)] if there else []
    return chosen if len(heard) == 1 else []
