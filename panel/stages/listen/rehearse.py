"""Makes what a listener hears before the study: level reference and practice.

All of it is brought to the loudness of the study's own clips or below, so that nothing met here
is louder than the material (ITU-T H.870 wants the listener's level kept down, and no test signal
may surprise).
"""

import secrets
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from panel.audio.listener_checks import rehearsal
from panel.audio.prepare.prints import wav24
from panel.audio.sound import Audio
from panel.procedures.base import ANSWERS, Procedure
from panel.procedures.catalogue import procedure
from panel.stages.listen.print_pool import Prints
from panel.stages.listen.samples import in_slots, material
from panel.stages.listen.standing import PRACTICE_ATTRIBUTE
from panel.stages.listeners.links import holder, locked_plan
from panel.store.session import Store

HIGHEST_PEAK = 0.5


@dataclass(frozen=True)
class Practice:
    """An easy trial. `right` is the right answer, None where any is."""

    prints: Prints
    right: str | None
    names: tuple[str, ...]
    instruction: str
    question: str
    answers: tuple[str, ...]
    answer_texts: tuple[str, ...]


def level_reference(store: Store, code: str) -> tuple[bytes, int]:
    """A plucked phrase at the loudness of the study's clips (WAV), and its rate in Hz."""
    rate, loudness = material(store, code)
    sound = rehearsal.phrase(np.random.default_rng(), rate, notes=12)
    return wav24(_at(sound, rate, loudness), rate, np.random.default_rng()), rate


def practice(
    store: Store,
    code: str,
    procedure_code: str,
    *,
    randbelow: Callable[[int], int] = secrets.randbelow,
    say: Callable[[str], str] = str,
) -> Practice:
    """An example of a procedure on sound that is in no study, with a difference that is plain.
    `say` puts texts of ours into the listener's language."""
    kind = as_in_study(store, code, procedure_code).said_by(say)
    attribute = say(PRACTICE_ATTRIBUTE)
    rate, loudness = material(store, code)
    pair = ("bright", "dull") if randbelow(2) else ("dull", "bright")
    sides = [(name, f"another {name}") for name in ("dull", "bright")]
    beside = kind.beside(pair, sides, lambda n: 0)
    keyed = kind.key(pair, beside, randbelow)
    sounds = {}
    for names in zip(*sides, strict=True):
        if set(names) & {*pair, *beside}:
            made = rehearsal.practice_pair(np.random.default_rng(), rate)
            for name, sound in zip(names, made, strict=True):
                sounds[name] = _at(sound, rate, loudness)
    right = kind.taught(keyed, "bright")
    return Practice(
        prints=in_slots([sounds[name] for name in keyed.slots[: kind.samples]], rate),
        right=None if right is None else ANSWERS[right],
        names=kind.names[: kind.samples],
        instruction=kind.instruction_text(attribute),
        question=kind.question_text(attribute),
        answers=kind.answers,
        answer_texts=kind.answer_texts,
    )


def as_in_study(store: Store, code: str, procedure_code: str) -> Procedure:
    """The procedure as the listener's study first asks by it."""
    kind = procedure(procedure_code)
    with store.session() as s:
        _, study = holder(s, code)
        if study.locked_at is None:
            return kind
        own = [c for c in locked_plan(s, study).served if c.procedure == kind.code]
    return own[0].asked_by if own else kind


def _at(sound: Audio, rate: int, loudness_lufs: float) -> Audio:
    """`sound` at that loudness, or quieter where its peak would pass half of full scale."""
    from panel.audio.loudness import for_clip

    own, _ = for_clip(sound, rate)
    gain = 10 ** ((loudness_lufs - own) / 20)
    peak = float(np.abs(sound).max())
    return sound * min(gain, HIGHEST_PEAK / peak)
