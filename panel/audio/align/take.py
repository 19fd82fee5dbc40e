"""Alignment: how much later, how much faster, and which way up the other take is.

The other take is modelled as b(t) = g a((t - delay) (1 + drift)), in samples of the reference:
the sound at reference sample n lies in the other take at delay + n / (1 + drift). First a search
over every lag at a low rate (`coarse`), then a line through the delays of short blocks at the
full rate (`fitting`). A take is passed over once, and read again only in those blocks.
"""

from dataclasses import dataclass, replace

import numpy as np

from panel.audio.align import coarse, fitting, sketch, whitened
from panel.audio.align.fitting import SAME_PERFORMANCE, Line, Pair
from panel.audio.align.sketch import Sketch
from panel.audio.reading import stretches
from panel.audio.reading.stretches import Recording
from panel.audio.sound import Audio
from panel.audio.warp import at_positions

__all__ = [
    "NOT_FOUND", "SAME_PERFORMANCE", "Alignment", "Hint", "Reference", "align", "apply", "cut",
    "prepared", "refine", "same_channels", "to_reference",
]  # fmt: skip

_DOUBTFUL = 0.97


@dataclass(frozen=True)
class Alignment:
    """Where the other take lies against the reference.

    delay_samples: how much later the other take is at the reference's sample 0.
    drift_ppm: positive when the other take runs fast (its music is shorter).
    inverted: its polarity is the other way up. swapped: its left is the reference's right.
    correlation: of the two after alignment, 0 to 1, over what they share.
    """

    delay_samples: float
    drift_ppm: float
    inverted: bool
    swapped: bool
    correlation: float

    @property
    def step(self) -> float:
        """Samples of the other take per sample of the reference."""
        return 1.0 / (1.0 + self.drift_ppm * 1e-6)

    def position(self, reference_sample: float) -> float:
        """Where in the other take the sound at a reference sample lies."""
        return self.delay_samples + reference_sample * self.step


NOT_FOUND = Alignment(0.0, 0.0, False, False, 0.0)


@dataclass(frozen=True)
class Hint:
    """Where a take lies as known from elsewhere (a leader): the delay in samples at the
    reference's sample 0, and the drift in parts per million, as in `Alignment`."""

    delay_samples: float
    drift_ppm: float


@dataclass(frozen=True, eq=False)
class Reference:
    """What is kept of the reference to align any number of takes to it.

    sketch: at a low rate; difference: left less right stands for it; starts, pieces: its blocks.
    """

    recording: Recording
    sketch: Sketch
    difference: bool
    starts: np.ndarray[tuple[int], np.dtype[np.intp]]
    pieces: list[Audio]


def prepared(recording: Recording, own: Sketch | None = None) -> Reference:
    """A take made ready to be the reference; `own`: its sketch, if there is one already."""
    difference = sketch.by_difference(recording)
    if own is None or difference:
        own = sketch.of(recording, difference)
    starts, length = fitting.where(own, recording.frames, recording.rate)
    pieces = [recording.span(int(s), int(s) + length) for s in starts]
    return Reference(recording, own, difference, starts, pieces)


def align(reference: Audio, other: Audio, rate: int, hint: Hint | None = None) -> Alignment:
    """Find the alignment of `other` to `reference`, both (frames, channels) at `rate`.

    Never fails: takes that have nothing in common come back with a correlation near 0, their
    beginnings together, without drift. A `hint` is made finer on the music; where the music is
    not the same performance, the hint stands.
    """
    if min(len(reference), len(other)) < 32 or not reference.any() or not other.any():
        return _not_found(hint)
    return to_reference(
        prepared(stretches.in_memory(reference, rate)), stretches.in_memory(other, rate), hint
    )


def to_reference(
    reference: Reference, other: Recording, hint: Hint | None = None, own: Sketch | None = None
) -> Alignment:
    """As `align`, to a reference made ready; at its rate. `own`: the other take's sketch, if
    there is one already (of the sum of its channels)."""
    if own is None or reference.difference:
        own = sketch.of(other, reference.difference)
    if min(reference.recording.frames, other.frames) < 32:
        return _not_found(hint)
    if not (reference.sketch.samples.any() and own.samples.any()):
        return _not_found(hint)
    pair = Pair(other, reference.starts, reference.pieces)
    if hint is None:
        return _searched(reference, pair, own)
    start = Line(hint.delay_samples, 1 / (1 + hint.drift_ppm * 1e-6))
    found = _from_line(reference, pair, start)
    if found.correlation < _DOUBTFUL:
        again = _searched(reference, Pair(other, reference.starts, reference.pieces), own)
        if again.correlation > max(found.correlation + 0.01, SAME_PERFORMANCE):
            return again
    if found.correlation < SAME_PERFORMANCE:
        return replace(_not_found(hint), correlation=found.correlation)
    return found


def refine(
    reference: Audio | Recording,
    other: Audio | Recording,
    start: int,
    frames: int,
    found: Alignment,
) -> Alignment:
    """The same alignment with its delay made best for one excerpt of the reference.

    Takes move against each other by a little within a performance. The delay moves by at most
    two samples, and only where the excerpt is the same performance.
    """
    a, b = (
        stretches.in_memory(x, 1) if isinstance(x, np.ndarray) else x for x in (reference, other)
    )
    starts, length = fitting.within(start, frames, found.step)
    pair = Pair(b, starts, [a.span(int(s), int(s) + length) for s in starts])
    if found.swapped:
        pair.cross()
    delay = found.delay_samples
    for _ in range(4):
        delays, weights, correlation = fitting.block_delays(pair, Line(delay, found.step))
        weights[~np.isfinite(delays)] = 0.0
        if abs(correlation) < SAME_PERFORMANCE or not weights.any():
            return found
        more = float(np.average(np.clip(np.nan_to_num(delays), -2, 2), weights=weights))
        delay += float(np.clip(more, -1, 1))
        if abs(delay - found.delay_samples) > 2:
            return found
        if abs(more) < 1e-4:
            break
    return replace(found, delay_samples=delay)


def cut(recording: Recording, alignment: Alignment, start: float, frames: int) -> Audio:
    """As `apply`, reading no more of the recording than the excerpt takes."""
    first = int(np.floor(alignment.position(start))) - 256
    last = int(np.ceil(alignment.position(start + frames))) + 256
    moved = replace(alignment, delay_samples=alignment.delay_samples - first)
    return apply(recording.span(first, last), moved, start, frames)


def apply(
    samples: Audio, alignment: Alignment, start: float = 0.0, frames: int | None = None
) -> Audio:
    """The other take on the reference's timeline: from reference sample `start`, `frames` long.

    Undoes delay, drift, polarity and channel swap with one linear-phase interpolation. Without
    `frames`, as many as the take has. Where the take has no sound there is silence.
    """
    length = samples.shape[0] if frames is None else frames
    step = alignment.step
    if abs(alignment.drift_ppm) * 1e-6 * length < 0.01:  # under a hundredth of a sample in all
        middle = alignment.position(start + length / 2)
        moved = at_positions(samples, middle - length / 2, 1.0, length)
    else:
        moved = at_positions(samples, alignment.position(start), step, length)
    if alignment.swapped and moved.shape[1] == 2:
        moved = moved[:, ::-1]
    return -moved if alignment.inverted else moved


def same_channels(a: Audio, b: Audio) -> tuple[Audio, Audio]:
    """Both with as many channels: where one is mono, the other is mixed to mono."""
    if a.shape[1] == b.shape[1]:
        return a, b
    return a.mean(axis=1, keepdims=True), b.mean(axis=1, keepdims=True)


def _not_found(hint: Hint | None) -> Alignment:
    if hint is None:
        return NOT_FOUND
    return replace(NOT_FOUND, delay_samples=hint.delay_samples, drift_ppm=hint.drift_ppm)


def _searched(reference: Reference, pair: Pair, own: Sketch) -> Alignment:
    a, factor = reference.sketch, own.factor
    lag = coarse.lag(a.samples, own.samples, own.rate) * factor
    line = fitting.through_lags(pair, lag, 4 * factor + 4, difference=reference.difference)
    found = _from_line(reference, pair, line)
    if found.correlation < _DOUBTFUL:
        start = whitened.delay(a.samples, own.samples, own.rate) * factor
        again = _fitted(reference, pair, Line(start, 1.0))
        if again.correlation > found.correlation + 0.01:
            found = again
    if found.correlation < SAME_PERFORMANCE:
        # Not the same performance: a lag means nothing, so let both begin together.
        begins = float((_onset(own) - _onset(a)) * factor)
        return Alignment(begins, 0.0, False, False, found.correlation)
    return found


def _from_line(reference: Reference, pair: Pair, line: Line) -> Alignment:
    if fitting.is_swapped(pair, line):
        pair.cross()
    return _fitted(reference, pair, line)


def _fitted(reference: Reference, pair: Pair, line: Line) -> Alignment:
    best = fitting.made_best(pair, line, reference.recording.frames)
    return Alignment(
        best.delay,
        (1 / best.step - 1) * 1e6,
        best.correlation < 0,
        pair.swapped,
        min(1.0, abs(best.correlation)),
    )


def _onset(own: Sketch) -> int:
    """Where the sound begins: the first 10 ms with a tenth of the loudest 10 ms' RMS."""
    block = max(1, round(own.rate / 100))
    count = max(1, len(own.samples) // block)
    power = np.square(own.samples[: count * block]).reshape(count, -1).mean(axis=1)
    return int(np.argmax(power >= 0.01 * power.max())) * block
