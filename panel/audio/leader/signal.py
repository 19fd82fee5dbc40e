"""The leader: a lead-in signal before the music, to align takes and to measure by.

A rising chirp, an exponential sweep, silence, a falling chirp, then (if wanted) the recording that
is played into the equipment each time. Its times are the same at every sample rate. The two chirps
have the same autocorrelation, so that what equipment does to one it does to the other, and the
distance between them is the clock's alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.leader.sweep import Sweep, synchronised
from panel.audio.loudness import integrated, true_peak_db, ungated
from panel.audio.sound import Audio
from panel.errors import BadInput
from panel.prose import either

Floats = NDArray[np.float64]

RATES = (44_100, 48_000, 88_200, 96_000, 192_000)
LOUDNESS_LUFS = -23.0
"""Of the leader by itself: the programme loudness of EBU R 128. Never louder than the music."""
PEAK_DB = -12.0
"""No leader has a higher true peak (dBTP)."""

CHIRP_S, CHIRP_LOW_HZ, CHIRP_HIGH_HZ = 0.4, 400.0, 8_000.0
LOW_HZ, HIGH_HZ = 20.0, 20_000.0

RISING_AT_S = 0.5
SWEEP_AT_S = RISING_AT_S + CHIRP_S + 0.6
DECAY_S = 1.0
SILENCE_S = 3.0


@dataclass(frozen=True)
class Layout:
    """A leader of one length; all times in seconds from its first sample.

    The length is that of the sweep: the longer, the less noise in what is measured.
    """

    key: str
    sweep: Sweep

    @property
    def sweep_end_s(self) -> float:
        return SWEEP_AT_S + self.sweep.seconds

    @property
    def silence_at_s(self) -> float:
        return self.sweep_end_s + DECAY_S

    @property
    def falling_at_s(self) -> float:
        return float(np.ceil(2 * (self.silence_at_s + SILENCE_S)) / 2)

    @property
    def music_at_s(self) -> float:
        """To the music's first sample: how long the leader is."""
        return self.falling_at_s + CHIRP_S + 0.6


LAYOUTS = {
    key: Layout(key, synchronised(LOW_HZ, HIGH_HZ, seconds))
    for key, seconds in (("short", 5.0), ("usual", 10.0), ("long", 20.0))
}
"""Told apart in a take by the distance of their chirps."""

USUAL = LAYOUTS["usual"]

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
    layout: Layout

    @property
    def music_at_s(self) -> float:
        return self.layout.music_at_s


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


def signal(rate: int, layout: Layout = USUAL) -> Floats:
    """The leader without music at amplitude 1, (frames,): as long as its layout says.

    Every part begins on a sample at every rate of RATES.
    """
    out = np.zeros(round(layout.music_at_s * rate))
    for at, part in (
        (RISING_AT_S, chirp(rate, rising=True)),
        (layout.falling_at_s, chirp(rate, rising=False)),
    ):
        start = round(at * rate)
        out[start : start + len(part)] += part
    start = round(SWEEP_AT_S * rate)
    swept = layout.sweep.samples(rate)
    out[start : start + len(swept)] += swept
    return out


def make(rate: int, music: Audio | None = None, layout: Layout = USUAL) -> Leader:
    """The leader at `rate` (one of RATES), in front of `music` (frames, channels) at that rate.

    Its loudness (BS.1770) is LOUDNESS_LUFS or that of the music where that is lower, its true
    peak at most PEAK_DB and the music's. The music is not changed by a bit. Raises BadInput for
    another rate and for silent music.
    """
    if rate not in RATES:
        raise BadInput(
            f"A leader cannot be made at {rate:,} Hz.",
            hint=f"Choose {either(f'{r:,}' for r in RATES)} Hz.",
        )
    if music is not None and not music.any():
        raise BadInput("The recording to append is silent.", hint="Append one with music in it.")
    channels = 1 if music is None else int(music.shape[1])
    plain = np.repeat(signal(rate, layout)[:, None], channels, axis=1)
    loudest, peak = LOUDNESS_LUFS, PEAK_DB
    if music is not None:
        own = integrated(music, rate)
        loudest = min(loudest, own if np.isfinite(own) else ungated(music, rate))
        peak = min(peak, true_peak_db(music, rate))
    own_loudness = integrated(plain, rate)
    gain_db = min(loudest - own_loudness, peak - true_peak_db(plain, rate))
    plain *= 10 ** (gain_db / 20)
    whole = plain if music is None else np.concatenate((plain, music))
    return Leader(whole, rate, own_loudness + gain_db, layout)
