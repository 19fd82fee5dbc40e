"""Sound to get ready with: a plucked phrase for setting the level, and easy pairs to practise on.

None of it is in any study. A note is a sum of harmonics, each dying away faster the higher it
is, the harmonics of a string plucked at a fifth of its length (textbook: amplitudes fall as
sin(n π / 5) / n²; Fletcher & Rossing, The Physics of Musical Instruments, from memory).
"""

import numpy as np

from panel.audio.sound import Audio

PLUCK = 0.2  # place of the pluck, as a share of the string
SCALE = (196.0, 246.9, 293.7, 392.0, 440.0)  # Hz
HIGHEST = 12_000.0  # Hz
FADE_S = 0.03


def phrase(rng: np.random.Generator, rate: int, *, notes: int = 6, dullness: float = 1.0) -> Audio:
    """`notes` plucked notes, half a second apart; float64 (frames, 2), RMS 0.1.

    `dullness` multiplies how fast the upper harmonics die away: 1 is a bright string, 6 plainly
    a dull one.
    """
    step = rate // 2
    length = step * notes + step
    sound = np.zeros(length)
    previous = -1
    for index in range(notes):
        pitch = int(rng.integers(len(SCALE) - 1))
        pitch += pitch >= previous >= 0  # never the same note twice running
        previous = pitch
        start = index * step
        sound[start:] += note(SCALE[pitch], rate, length - start, dullness=dullness)
    return _finished(sound, rate)


def note(frequency: float, rate: int, frames: int, *, dullness: float = 1.0) -> Audio:
    """One plucked note, float64 (frames,)."""
    seconds = np.arange(frames) / rate
    sound = np.zeros(frames)
    for harmonic in range(1, int(min(HIGHEST, 0.45 * rate) // frequency) + 1):
        amplitude = np.sin(harmonic * np.pi * PLUCK) / harmonic**1.3
        decay = 1.5 + 0.35 * (harmonic - 1) * dullness
        # Dull strings start duller too, or the attacks alone would sound alike.
        amplitude *= np.exp(-0.12 * (harmonic - 1) * (dullness - 1.0))
        sound += (
            amplitude
            * np.exp(-decay * seconds)
            * np.sin(2 * np.pi * frequency * harmonic * seconds)
        )
    return sound


def practice_pair(rng: np.random.Generator, rate: int) -> tuple[Audio, Audio]:
    """The same three notes dull and bright: equal in length and RMS, plainly different."""
    seed = int(rng.integers(2**32))
    dull, bright = (
        phrase(np.random.default_rng(seed), rate, notes=3, dullness=dullness)
        for dullness in (6.0, 1.0)
    )
    return dull, bright


def _finished(sound: Audio, rate: int) -> Audio:
    edge = round(FADE_S * rate)
    sound[-edge:] *= 0.5 * (1 + np.cos(np.pi * np.arange(edge) / edge))
    ramp = round(0.003 * rate)
    sound[:ramp] *= np.arange(ramp) / ramp
    sound *= 0.1 / np.sqrt(np.mean(sound**2))
    return np.repeat(sound[:, None], 2, axis=1)
