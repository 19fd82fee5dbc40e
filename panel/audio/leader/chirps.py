"""The two chirps of a leader, looked for in a take: at a low rate all over it, then at its own."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panel.audio.leader import signal
from panel.audio.reading.stretches import Recording
from panel.audio.warp import at_positions

Floats = NDArray[np.float64]
Low = NDArray[np.float32]

LEAST_LIKENESS = 0.25
"""Correlation with a chirp, of what is under it, from which it counts as found."""

PIECE_S = 240.0
OVERLAP_S = 2.0 + max(layout.music_at_s for layout in signal.LAYOUTS.values())
"""So that every leader lies whole in one piece."""

_SEARCH_RATE = 12_000.0
_APART_S = 0.5
_MOST = 4
_REACH = 160


@dataclass(frozen=True)
class Peak:
    """at: the sample at which a chirp begins, to a fraction. likeness: 0 to 1. sign: 1 or -1."""

    at: float
    likeness: float
    sign: float


@dataclass(frozen=True, eq=False)
class Piece:
    """Some minutes of a take: low (frames, channels) at `rate` Hz, from its sample `begin` on."""

    low: Low
    rate: float
    begin: int


def pieces(recording: Recording) -> Iterator[Piece]:
    """All of a take at a low rate, or at its own where that is lower, one piece after another."""
    rate = min(float(recording.rate), _SEARCH_RATE)
    length, shared = round(PIECE_S * rate), round(OVERLAP_S * rate)
    held: list[Low] = []
    begin = there = 0
    for part in _lowered(recording, rate):
        held.append(part)
        there += len(part)
        while there > length:
            low = np.concatenate(held)
            yield Piece(low[:length], rate, begin)
            held = [low[length - shared :].copy()]
            begin, there = begin + length - shared, len(held[0])
    if there:
        yield Piece(np.concatenate(held), rate, begin)


def _lowered(recording: Recording, rate: float) -> Iterator[Low]:
    import soxr

    if rate >= recording.rate:
        yield from recording.blocks()
        return
    stream = soxr.ResampleStream(
        recording.rate, rate, recording.channels, dtype="float32", quality="HQ"
    )
    for block in recording.blocks():
        yield stream.resample_chunk(np.ascontiguousarray(block))
    nothing = np.zeros((0, recording.channels), np.float32)
    yield stream.resample_chunk(nothing, last=True)


def peaks(heard: Low, rate: float, *, rising: bool) -> list[Peak]:
    """The likeliest chirps in one channel (frames,), played at `rate` samples a second; in order.

    Four at most, none half as likely as the likeliest.
    """
    from scipy.signal import oaconvolve

    shape = signal.chirp(rate, rising=rising).astype(np.float32)
    if len(heard) < len(shape):
        return []
    product = oaconvolve(heard, shape[::-1], mode="valid")
    total = np.concatenate(([0.0], np.cumsum(np.square(heard, dtype=np.float64))))
    under = total[len(shape) :] - total[: -len(shape)]
    floor = 1e-9 * float(under.max(initial=0.0)) + 1e-300
    height = np.abs(product) / np.sqrt(np.square(shape).sum() * (under + floor))
    apart = round(_APART_S * rate)
    found: list[Peak] = []
    while len(found) < _MOST:
        at = int(height.argmax())
        if height[at] < max(LEAST_LIKENESS, 0.5 * (found[0].likeness if found else 0.0)):
            break
        sign = float(np.sign(product[at]))
        piece: Floats = sign * product[max(0, at - 96) : at + 97].astype(np.float64)
        top = _top(piece, min(at, 96)) + max(0, at - 96)
        found.append(Peak(top, float(height[at]), sign))
        height[max(0, at - apart) : at + apart] = 0.0
    return sorted(found, key=lambda one: one.at)


def united(found: Iterable[tuple[int, list[Peak]]], rate: float) -> list[Peak]:
    """The chirps of several pieces, each told where it begins, on the take's own time; those that
    two pieces share, once; as `peaks` keeps them."""
    there = [replace(one, at=begin + one.at) for begin, some in found for one in some]
    out: list[Peak] = []
    for one in sorted(there, key=lambda one: -one.likeness):
        apart = all(abs(one.at - other.at) > _APART_S * rate for other in out)
        if apart and (not out or one.likeness >= 0.5 * out[0].likeness):
            out.append(one)
    return sorted(out, key=lambda one: one.at)


def near(
    recording: Recording, channel: int, at: int, speed: float, *, rising: bool, sign: float
) -> float:
    """The chirp within a few samples of sample `at`, at the take's own rate, played at `speed`
    samples a second."""
    from scipy.signal import oaconvolve

    shape = signal.chirp(speed, rising=rising)
    low = at - _REACH
    piece = recording.span(low, low + len(shape) + 2 * _REACH)[:, channel]
    product = sign * oaconvolve(piece, shape[::-1], mode="valid")
    # At 192 kHz one sample of the search is sixteen of the take.
    middle = product[_REACH - 32 : _REACH + 33]
    return low + _top(product, _REACH - 32 + int(middle.argmax()))


def _top(product: Floats, at: int) -> float:
    """The top of a band-limited correlation near sample `at`, to a thousandth of a sample."""
    piece = product[:, None]
    centre, width = float(at), 1.0
    for _ in range(3):
        step = width / 16
        values = at_positions(piece, centre - width, step, 33)[:, 0]
        centre += (int(values.argmax()) - 16) * step
        width = 2 * step
    return centre
