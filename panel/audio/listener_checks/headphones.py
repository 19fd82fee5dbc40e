"""Headphone checks: two published trials, synthesised here.

Either is weak evidence, never proof: a pass is likelier over headphones, and that is all.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.loudness import true_peak_db, ungated
from panel.audio.sound import Audio
from panel.errors import BadInput

LOUDNESS_LUFS = -30.0
"""Loudness of the loudest interval, unless the caller gives the study's own (lower is safe)."""

PEAK_LIMIT_DB = -6.0
_GAP_S = 0.5
_EDGE_S = 0.25


@dataclass(frozen=True, eq=False)
class HeadphoneTrial:
    """samples (frames, 2), rate; `right`: the interval to be named, 0, 1 or 2."""

    samples: Audio
    rate: int
    right: int


def antiphase(
    rng: np.random.Generator, rate: int = 48_000, loudness_lufs: float = LOUDNESS_LUFS
) -> HeadphoneTrial:
    """Which of three tones is quietest? One is 6 dB down, another is out of phase left to right.

    200 Hz, 1 s, 100 ms ramps. Over loudspeakers the out-of-phase tone all but cancels and is
    taken for the quiet one. Source: Woods, Siegel, Traer & McDermott 2017, Atten. Percept.
    Psychophys. 79, 2064-2072 (duration and ramps from memory). Six trials, passed at five
    (from memory).
    """
    quiet, antiphase_, _ = (int(i) for i in rng.permutation(3))
    t = np.arange(rate) / rate
    # The same starting phase in all three: only the stated differences may help.
    tone = np.sin(2 * np.pi * 200.0 * t) * _ramps(rate, rate, 0.1)
    gain = _gain(np.stack((tone, tone), axis=1), rate, loudness_lufs)
    parts = []
    for interval in range(3):
        left = tone * gain * (10 ** (-6 / 20) if interval == quiet else 1.0)
        parts.append(np.stack((left, -left if interval == antiphase_ else left), axis=1))
    return HeadphoneTrial(_in_a_row(parts, rate), rate, quiet)


def huggins(
    rng: np.random.Generator, rate: int = 48_000, loudness_lufs: float = LOUDNESS_LUFS
) -> HeadphoneTrial:
    """Which of three noises holds a faint tone? One has a 180 degree shift in a narrow band.

    White noise of 1 s, the same in both ears but for 600 Hz +- 6 % in one interval, where one
    ear's phase is turned: a pitch that exists only between two ears. Source: Milne et al. 2021,
    Behav. Res. Methods 53, 1551-1562 (frequency and width read in an excerpt, not in the paper).
    Six trials, passed at six (from memory).
    """
    right = int(rng.integers(3))
    frequency = np.fft.rfftfreq(rate, 1 / rate)
    band = (frequency >= 600 * 0.94) & (frequency <= 600 * 1.06)
    parts = []
    for interval in range(3):
        left = rng.standard_normal(rate)
        spectrum = np.fft.rfft(left)
        spectrum[frequency > 10_000] = 0.0
        left = np.fft.irfft(spectrum, rate)
        if interval == right:
            spectrum[band] *= -1.0
        other = np.fft.irfft(spectrum, rate)
        part = np.stack((left, other), axis=1) * _ramps(rate, rate, 0.05)[:, None]
        parts.append(part * _gain(part, rate, loudness_lufs))
    return HeadphoneTrial(_in_a_row(parts, rate), rate, right)


def _gain(part: Audio, rate: int, loudness_lufs: float) -> float:
    if not loudness_lufs <= -14.0:
        raise BadInput(
            f"A headphone check at {loudness_lufs:g} LUFS is too loud.",
            hint="Make it no louder than the music; -30 LUFS is a good start.",
        )
    gain = loudness_lufs - ungated(part, rate)
    return float(10 ** (min(gain, PEAK_LIMIT_DB - true_peak_db(part, rate)) / 20))


def _ramps(frames: int, rate: int, seconds: float) -> NDArray[np.float64]:
    length = round(seconds * rate)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / length)
    out = np.ones(frames)
    out[:length], out[-length:] = rise, rise[::-1]
    return out


def _in_a_row(parts: list[Audio], rate: int) -> Audio:
    gap, edge = np.zeros((round(_GAP_S * rate), 2)), np.zeros((round(_EDGE_S * rate), 2))
    return np.concatenate((edge, parts[0], gap, parts[1], gap, parts[2], edge))
