"""Makes what a listener hears before the study: level reference, headphone check, practice.

All of it is brought to the loudness of the study's own clips or below, so that nothing met here
is louder than the material (ITU-T H.870 wants the listener's level kept down, and no test signal
may surprise).
"""

import secrets
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from panel.audio import rehearsal
from panel.audio.prints import wav24
from panel.audio.sound import Audio
from panel.design.procedures import procedure
from panel.design.schedule import draw_key
from panel.stages.listen import PRACTICE_ATTRIBUTE
from panel.stages.samples import Prints, in_slots, material
from panel.store.session import Store

CHECK_TRIALS = 6
CHECK_PASS = 5  # Woods et al. 2017: six trials (read), pass at five (from memory)
LOUDEST_CHECK_LUFS = -20.0
HIGHEST_PEAK = 0.5


@dataclass(frozen=True)
class HeadphoneCheck:
    """Six sounds of three tones each; `quietest` is the 0-based place of the quiet one."""

    wavs: tuple[bytes, ...]
    quietest: tuple[int, ...]
    rate: int


@dataclass(frozen=True)
class Practice:
    """An easy trial. `right` is the 0-based answer, None where any answer is right."""

    prints: Prints
    right: int | None
    instruction: str
    question: str
    answers: tuple[str, ...]
    answer_texts: tuple[str, ...]


def level_reference(store: Store, code: str) -> tuple[bytes, int]:
    """A plucked phrase at the loudness of the study's clips (WAV), and its rate in Hz."""
    rate, loudness = material(store, code)
    sound = rehearsal.phrase(np.random.default_rng(), rate, notes=12)
    return wav24(_at(sound, rate, loudness), rate, np.random.default_rng()), rate


def headphone_check(store: Store, code: str) -> HeadphoneCheck:
    """Six trials of the antiphase test, the place of each quiet tone drawn independently from
    the system's entropy; no louder than the study's clips."""
    from panel.audio import headphones  # brings scipy.signal: only where it is used

    rate, loudness = material(store, code)
    rng = np.random.default_rng()
    level = min(loudness, LOUDEST_CHECK_LUFS)
    trials = [headphones.antiphase(rng, rate, level) for _ in range(CHECK_TRIALS)]
    return HeadphoneCheck(
        tuple(wav24(trial.samples, rate, rng) for trial in trials),
        tuple(trial.right for trial in trials),
        rate,
    )


def practice(
    store: Store,
    code: str,
    procedure_code: str,
    *,
    randbelow: Callable[[int], int] = secrets.randbelow,
) -> Practice:
    """An example of a procedure on sound that is in no study, with a difference that is plain."""
    kind = procedure(procedure_code)
    rate, loudness = material(store, code)
    dull, bright = (
        _at(sound, rate, loudness)
        for sound in rehearsal.practice_pair(np.random.default_rng(), rate)
    )
    keyed = draw_key(kind.code, ("bright", "dull"), randbelow)
    sounds = {"bright": bright, "dull": dull}
    right = keyed.right
    if kind.code == "attribute":
        right = keyed.slots.index("bright")
    return Practice(
        prints=in_slots([sounds[name] for name in keyed.slots], rate),
        right=right,
        instruction=kind.instruction_text(PRACTICE_ATTRIBUTE),
        question=kind.question_text(PRACTICE_ATTRIBUTE),
        answers=kind.answers,
        answer_texts=kind.answer_texts,
    )


def passed(right: int) -> bool:
    """Whether so many right answers pass the headphone check."""
    return right >= CHECK_PASS


def _at(sound: Audio, rate: int, loudness_lufs: float) -> Audio:
    """`sound` at that loudness, or quieter where its peak would pass half of full scale."""
    from panel.audio.loudness import for_clip

    own, _ = for_clip(sound, rate)
    gain = 10 ** ((loudness_lufs - own) / 20)
    peak = float(np.abs(sound).max())
    return sound * min(gain, HIGHEST_PEAK / peak)
