"""The leader: a lead-in signal before the music, to align takes and to measure by.

A rising chirp, an exponential sweep, silence, a falling chirp, then (if wanted) the recording that
is played into the equipment each time. Its times are the same at every sample rate. The two chirps
have the same autocorrelation, so that what equipment does to one it does to the other, and the
distance between them is the clock's alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.loudness import integrated, true_peak_db, ungated
from panel.audio.sound import Audio
from panel.audio.sweep import Sweep, synchronised
from panel.errors import BadInput

Floats = NDArray[np.float64]

RATES = (44_100, 48_000, 88_200, 96_000, 192_000)
LOUDNESS_LUFS = -23.0
"""Of the leader by itself: the programme loudness of EBU R 128. Never louder than the music."""
PEAK_DB = -12.0
"""No leader has a higher true peak (dBTP)."""

CHIRP_S, CHIRP_LOW_HZ, CHIRP_HIGH_HZ = 0.4, 400.0, 8_000.0
SWEEP: Sweep = synchronised(20.0, 20_000.0, 10.0)

RISING_AT_S = 0.5
SWEEP_AT_S = RISING_AT_S + CHIRP_S + 0.6
SWEEP_END_S = SWEEP_AT_S + SWEEP.seconds
DECAY_S = 1.0
SILENCE_AT_S = SWEEP_END_S + DECAY_S
SILENCE_S = 3.0
FALLING_AT_S = float(np.ceil(2 * (SILENCE_AT_S + SILENCE_S)) / 2)
MUSIC_AT_S = FALLING_AT_S + CHIRP_S + 0.6
"""From the leader's first sample to the music's."""

HEARING = (
    "The leader is no louder than the music, but it holds a tone that climbs to 20 kHz. Start with "
    "the level down, don't listen to it on headphones at full level, and stop if it is "
    "uncomfortable; tweeters, too, like it quiet."
)
"""To be shown wherever a leader is handed out."""


@dataclass(frozen=True, eq=False)
class Leader:
    """samples (frames, channels) at `rate`, music included; loudness_lufs of the leader alone."""

    samples: Audio
    rate: int
    loudness_lufs: float
    music_at_s: float


def chirp(rate: float, *, rising: bool) -> Floats:
    """A linear chirp with soft ends, amplitude 1, (frames,); falling: its mirror in time."""
    t = np.arange(int(np.ceil(CHIRP_S * rate))) / rate
    t = t if rising else CHIRP_S - t
    slope = (CHIRP_HIGH_HZ - CHIRP_LOW_HZ) / CHIRP_S
    edge = np.clip(np.minimum(t, CHIRP_S - t) / 0.05, 0, 1)
    out: Floats = np.sin(2 * np.pi * (CHIRP_LOW_HZ * t + slope * t * t / 2))
    out *= np.sin(np.pi / 2 * edge) ** 2
    # What a low rate cannot hold is not in a take at that rate either.
    out[CHIRP_LOW_HZ + slope * t > 0.48 * rate] = 0.0
    return out


def signal(rate: int) -> Floats:
    """The leader without music at amplitude 1, (frames,): MUSIC_AT_S long.

    Every part begins on a sample at every rate of RATES.
    """
    out = np.zeros(round(MUSIC_AT_S * rate))
    for at, part in (
        (RISING_AT_S, chirp(rate, rising=True)),
        (FALLING_AT_S, chirp(rate, rising=False)),
    ):
        start = round(at * rate)
        out[start : start + len(part)] += part
    start = round(SWEEP_AT_S * rate)
    swept = SWEEP.samples(rate)
    out[start : start + len(swept)] += swept
    return out


def make(rate: int, music: Audio | None = None) -> Leader:
    """The leader at `rate` (one of RATES), in front of `music` (frames, channels) at that rate.

    Its loudness (BS.1770) is LOUDNESS_LUFS or that of the music where that is lower, its true
    peak at most PEAK_DB and the music's. The music is not changed by a bit. Raises BadInput for
    another rate and for silent music.
    """
    if rate not in RATES:
        raise BadInput(
            f"A leader cannot be made at {rate:,} Hz.",
            hint="Choose " + ", ".join(f"{r:,}" for r in RATES[:-1]) + f" or {RATES[-1]:,} Hz.",
        )
    if music is not None and not music.any():
        raise BadInput("The recording to append is silent.", hint="Append one with music in it.")
    channels = 1 if music is None else int(music.shape[1])
    plain = np.repeat(signal(rate)[:, None], channels, axis=1)
    loudest, peak = LOUDNESS_LUFS, PEAK_DB
    if music is not None:
        own = integrated(music, rate)
        loudest = min(loudest, own if np.isfinite(own) else ungated(music, rate))
        peak = min(peak, true_peak_db(music, rate))
    own_loudness = integrated(plain, rate)
    gain_db = min(loudest - own_loudness, peak - true_peak_db(plain, rate))
    plain *= 10 ** (gain_db / 20)
    whole = plain if music is None else np.concatenate((plain, music))
    return Leader(whole, rate, own_loudness + gain_db, MUSIC_AT_S)
