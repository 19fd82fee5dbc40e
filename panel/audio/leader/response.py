"""What the leader's sweep tells of the equipment: magnitude response, and distortion by order."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.leader import signal
from panel.audio.leader.find import LeaderIn
from panel.audio.leader.sweep import Sweep
from panel.audio.sound import Audio
from panel.audio.warp import at_positions

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

ORDERS = (2, 3, 4, 5)
HIGHEST_HZ = 18_000.0
LOWEST_HZ = 25.0
POINTS_AN_OCTAVE = 12
_TAIL_S = 0.9


@dataclass(frozen=True, eq=False)
class Distortion:
    """One order: level of the harmonic in dB over the fundamental, by the fundamental's hz."""

    order: int
    hz: Floats
    level_db: Floats


@dataclass(frozen=True, eq=False)
class Response:
    """One channel. hz and magnitude_db (output over the leader as a full-scale sweep, in dB).

    Twelve points an octave from 25 Hz to 18 kHz; only what the take's rate can hold.
    """

    hz: Floats
    magnitude_db: Floats
    distortion: tuple[Distortion, ...]

    def at(self, hz: float) -> float:
        """Magnitude in dB at a frequency within the table."""
        return float(np.interp(np.log(hz), np.log(self.hz), self.magnitude_db))


def measure(samples: Audio, found: LeaderIn) -> list[Response]:
    """Response and distortion of each channel of a take (frames, channels)."""
    return [_one(samples[:, i : i + 1], found) for i in range(samples.shape[1])]


def points(highest_hz: float) -> Floats:
    """The frequencies of the table up to `highest_hz`."""
    count = int(np.floor(POINTS_AN_OCTAVE * np.log2(highest_hz / LOWEST_HZ)))
    out: Floats = LOWEST_HZ * 2 ** (np.arange(count + 1) / POINTS_AN_OCTAVE)
    return out


def _one(channel: Audio, found: LeaderIn) -> Response:
    sweep, rate = found.layout.sweep, found.true_rate
    # From the sweep's first moment to the end of its decay, that moment exactly on a sample.
    frames = int((sweep.seconds + signal.DECAY_S) * rate)
    heard = at_positions(channel, found.position(signal.SWEEP_AT_S), 1.0, frames)[:, 0]
    size = 1 << (2 * frames - 1).bit_length()
    hz: Floats = np.fft.rfftfreq(size, 1 / rate).astype(np.float64)
    inverse = _inverse(hz, sweep, rate)
    divided = np.fft.irfft(_times(heard, inverse, size), size)
    played = sweep.samples(rate)
    own = np.fft.irfft(_times(played, inverse, size), size)
    top = min(HIGHEST_HZ, 0.45 * rate)
    # The sweep's own ends ripple; divided by what the sweep alone gives, they cancel.
    fundamental = _level(divided, 1, points(top), sweep, rate)
    itself = _level(own, 1, points(top), sweep, rate)
    magnitude = 20 * np.log10(np.maximum(fundamental / itself, 1e-12))
    orders = []
    for order in ORDERS:
        at = points(top / order)
        harmonic = np.maximum(_level(divided, order, order * at, sweep, rate), 1e-12)
        base = fundamental[: len(at)] / itself[: len(at)]
        orders.append(Distortion(order, at, 20 * np.log10(harmonic / np.maximum(base, 1e-12))))
    return Response(points(top), magnitude, tuple(orders))


def _times(samples: Floats, inverse: Complexes, size: int) -> Complexes:
    out: Complexes = np.fft.rfft(samples, size).astype(np.complex128)
    out *= inverse
    return out


def _inverse(hz: Floats, sweep: Sweep, rate: float) -> Complexes:
    out = np.zeros(len(hz), dtype=np.complex128)
    inside = hz > sweep.low_hz / 4
    out[inside] = 1 / sweep.spectrum(hz[inside], rate)
    return out


def _before_s(sweep: Sweep, order: int) -> float:
    """Room for what rings before an order begins: a quarter of the way to the next higher one."""
    return (sweep.lead_s(order + 1) - sweep.lead_s(order)) / 4


def _level(divided: Floats, order: int, at: Floats, sweep: Sweep, rate: float) -> Floats:
    """Magnitude at the frequencies `at` of one order's impulse response, cut out by a window.

    It begins L ln(order) before the fundamental's, and has until the next lower order's begins.
    """
    begins = -sweep.lead_s(order)
    before = _before_s(sweep, order)
    after = _TAIL_S
    if order > 1:
        room = sweep.lead_s(order) - sweep.lead_s(order - 1)
        after = min(after, room - _before_s(sweep, order - 1))
    count = round((before + after) * rate)
    first = round((begins - before) * rate)
    piece = divided[np.arange(first, first + count) % len(divided)].copy()
    rise, fall = round(0.8 * before * rate), round(0.3 * after * rate)
    piece[:rise] *= np.sin(np.pi / 2 * np.arange(rise) / rise) ** 2
    piece[-fall:] *= np.cos(np.pi / 2 * np.arange(1, fall + 1) / fall) ** 2
    size = 1 << (4 * count - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(piece, size))
    out: Floats = np.interp(at, np.fft.rfftfreq(size, 1 / rate), spectrum)
    return out
