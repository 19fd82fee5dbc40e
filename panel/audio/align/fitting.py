"""The line through the delays of short blocks: delay and clock of one take against another.

From a lag that is known to a few samples: cross-correlation of the blocks at the full rate and a
robust line through their lags; then Gauss-Newton on the delay of each block, with the other take
interpolated onto the line so far, which leaves no bias from block edges. However long the takes,
as many blocks are read, and no more.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from panel.audio import warp
from panel.audio.align.coarse import MOST_DRIFT
from panel.audio.align.sketch import Sketch, one_channel
from panel.audio.reading.stretches import Recording
from panel.audio.sound import Audio

Floats = NDArray[np.float64]

SAME_PERFORMANCE = 0.5
"""Below this correlation two takes are not treated as the same performance."""

_BLOCKS = 32
_MARGIN = 48
_EXCERPT_BLOCKS = 12
_EXCERPT_FRAMES = 8192
_LITTLE = 0.06  # of a sample: a clock's stretching of a block that a first-order term undoes


@dataclass(frozen=True)
class Line:
    """The sound at reference sample n lies in the other take at delay + n step.

    correlation: signed, over all blocks.
    """

    delay: float
    step: float
    correlation: float = 0.0

    def position(self, reference_sample: float) -> float:
        return self.delay + reference_sample * self.step


@dataclass(eq=False)
class Block:
    """A stretch of the reference, and as much of the other take as was needed so far."""

    start: int
    reference: Audio
    there: Audio = field(default_factory=lambda: np.zeros((0, 0)))
    there_from: int = 0

    @property
    def stop(self) -> int:
        return self.start + len(self.reference)

    @property
    def middle(self) -> float:
        return self.start + len(self.reference) / 2


class Pair:
    """Blocks of a reference beside another take, with one or two channels each alike.

    swapped: take the other's channels crosswise.
    """

    def __init__(self, other: Recording, starts: NDArray[np.intp], pieces: list[Audio]) -> None:
        self.other = other
        self.channels = min(pieces[0].shape[1], other.channels) if pieces else 1
        self.swapped = False
        self.blocks = [
            Block(int(start), alike(piece, self.channels))
            for start, piece in zip(starts, pieces, strict=True)
        ]

    def read(self, first: int, last: int) -> Audio:
        out = alike(self.other.span(first, last), self.channels)
        return out[:, ::-1] if self.swapped else out

    def at(self, block: Block, line: Line, start: int, frames: int) -> Audio:
        """The other take on the reference's samples from `start` on, from what was read before
        where that suffices."""
        begin, step = line.position(start), line.step
        stretched = (step - 1) * frames / 2  # at either end, with the middle in its place
        if abs(stretched) < _LITTLE:
            begin, step = begin + stretched, 1.0
        first, last = warp.reach(begin, step, frames)
        if first < block.there_from or last > block.there_from + len(block.there):
            block.there_from = first - _MARGIN
            block.there = self.read(first - _MARGIN, last + _MARGIN)
        out = warp.within(block.there, begin - block.there_from, step, frames)
        if step != line.step:
            out += np.linspace(-stretched, stretched, frames)[:, None] * _slope(out)
        return out

    def cross(self) -> None:
        """Exchange the other take's channels, or put them back."""
        self.swapped = not self.swapped
        for block in self.blocks:
            block.there = np.zeros((0, 0))


def alike(samples: Audio, channels: int) -> Audio:
    """With as many channels: stereo is mixed to mono where one is asked for."""
    if samples.shape[1] == channels:
        return samples
    mono: Audio = samples.mean(axis=1, keepdims=True)
    return mono


def where(sketch: Sketch, frames: int, rate: int) -> tuple[NDArray[np.intp], int]:
    """First samples of the blocks to compare, and their length: evenly spread, with sound in."""
    length = min(int(np.clip(frames / 16, 0.125 * rate, 0.2 * rate)), frames)
    count = max(1, min(_BLOCKS, frames // length))
    starts = np.linspace(0, frames - length, count).astype(np.intp)
    power = np.array(
        [
            float(np.square(part, dtype=np.float64).sum())
            for part in (
                sketch.samples[s // sketch.factor : (s + length) // sketch.factor + 1]
                for s in starts
            )
        ]
    )
    return starts[power > 1e-4 * power.max()], length


def within(start: int, frames: int, step: float) -> tuple[NDArray[np.intp], int]:
    """First samples of blocks spread over an excerpt, and their length: so short that the clock
    hardly stretches them, all of the excerpt where that is short."""
    length = min(frames, _EXCERPT_FRAMES)
    if abs(step - 1) * length / 2 >= _LITTLE:
        length = min(length, max(2048, int(1.9 * _LITTLE / abs(step - 1))))
    count = min(_EXCERPT_BLOCKS, -(-frames // length))
    return np.linspace(start, start + frames - length, count).astype(np.intp), length


def through_lags(pair: Pair, lag: float, near: int, *, difference: bool) -> Line:
    """The line through the blocks' lags at the full rate, each within `near` of `lag`."""
    from scipy.signal import correlate

    middle = float(np.mean([block.middle for block in pair.blocks]))
    found: list[tuple[float, ...]] = []  # when; lag, height: up, down
    for block in pair.blocks:
        n = len(block.reference)
        x = one_channel(block.reference, difference)
        x = x - x.mean()
        reach = near + int(MOST_DRIFT * abs(block.middle - middle))
        low = block.start + round(lag) - reach
        first, last = max(low, 0), min(low + n + 2 * reach, pair.other.frames)
        if last - first < 0.5 * n:
            continue
        y = one_channel(pair.read(low, low + n + 2 * reach), difference)
        inside = slice(first - low, last - low)
        y[inside] -= y[inside].mean()
        product = correlate(y, x, mode="valid", method="fft")
        total = np.concatenate(([0.0], np.cumsum(np.square(y))))
        power = total[n:] - total[:-n]
        product /= np.sqrt(np.square(x).sum() * power + 1e-300)
        up, down = _between(product), _between(-product)
        found.append((block.middle, low - block.start + up[0], up[1]))
        found[-1] += (low - block.start + down[0], down[1])
    table = np.array(found).reshape(-1, 5)
    which = 3 if np.square(table[:, 4]).sum() > np.square(table[:, 2]).sum() else 1
    table = table[table[:, which + 1] > 0.3]
    if not len(table):
        return Line(lag, 1.0)
    when, lags, weights = table[:, 0], table[:, which], table[:, which + 1]
    offset, slope, _ = robust_line(when, lags, weights, 0.25)
    if abs(slope) > MOST_DRIFT:
        slope, offset = 0.0, float(np.median(lags))
    return Line(offset, 1.0 + slope)


def _between(product: Floats) -> tuple[float, float]:
    """Where a band-limited correlation really peaks, to a sixteenth of a sample, and how high."""
    peak = int(product.argmax())
    near = warp.at_positions(product[:, None], peak - 1.0, 1 / 16, 33)[:, 0]
    return peak - 1.0 + int(near.argmax()) / 16, float(near.max())


def is_swapped(pair: Pair, line: Line) -> bool:
    """Whether the other's left is the reference's right."""
    if pair.channels != 2:
        return False
    straight = crossed = own = there = 0.0
    for block in pair.blocks:
        x, y = block.reference, pair.at(block, line, block.start, len(block.reference))
        straight += float((x * y).sum())
        crossed += float((x * y[:, ::-1]).sum())
        own, there = own + float(np.square(x).sum()), there + float(np.square(y).sum())
    return abs(crossed) > 1.02 * abs(straight) and abs(crossed) > 0.01 * float(np.sqrt(own * there))


def block_delays(pair: Pair, line: Line) -> tuple[Floats, Floats, float]:
    """What delay is left in each block, its weight, and the signed correlation over all.

    Least squares of b = g a - g d a' over the block: d is the delay left. Zero filter error in
    a' leaves the fixed point where it is, so a five-point derivative will do.
    """
    delays, weights = [], []
    cross = power_a = power_b = 0.0
    end = pair.other.frames - 1
    for block in pair.blocks:
        start, stop, x = block.start, block.stop, block.reference
        if line.position(start) < 0 or line.position(stop - 1) > end:  # only partly shared
            low = int(np.ceil(max(start, -line.delay / line.step)))
            high = int(np.floor(min(stop, (end - line.delay) / line.step)))
            if high - low < 0.3 * (stop - start):
                delays.append(np.nan)
                weights.append(0.0)
                continue
            x = x[low - start : high - start]
            start, stop = low, high
        x = _centred(x)
        y = _centred(pair.at(block, line, start, stop - start))
        slope = _slope(x)
        xx, ss, xs = (float(np.vdot(p, q)) for p, q in ((x, x), (slope, slope), (x, slope)))
        xy, sy = float(np.vdot(x, y)), float(np.vdot(slope, y))
        determinant = xx * ss - xs * xs
        gain = (xy * ss - sy * xs) / determinant if determinant > 0 else 0.0
        tilt = (sy * xx - xy * xs) / determinant if determinant > 0 else 0.0
        cross, power_a, power_b = cross + xy, power_a + xx, power_b + float(np.vdot(y, y))
        delays.append(-tilt / gain if gain else np.nan)
        weights.append(ss)
    correlation = cross / np.sqrt(power_a * power_b) if power_a * power_b > 0 else 0.0
    return np.array(delays), np.array(weights), float(correlation)


def _centred(x: Audio) -> Audio:
    """Without its mean (by a product of matrices: quick however few the channels)."""
    out: Audio = x - np.full(len(x), 1 / len(x)) @ x
    return out


def _slope(x: Audio) -> Audio:
    """Derivative by five points, per sample."""
    out = np.zeros_like(x)
    out[2:-2] = (8 * (x[3:-1] - x[1:-3]) - (x[4:] - x[:-4])) / 12
    return out


def made_best(pair: Pair, line: Line, frames: int) -> Line:
    """The line that fits best, from one near it; without slope where the takes show none.

    frames: how long the reference is.
    """
    delay, step = line.delay, line.step
    centre = np.array([block.middle for block in pair.blocks])
    slope_error = float("inf")
    correlation = 0.0
    for _ in range(8):
        delays, weights, correlation = block_delays(pair, Line(delay, step))
        good = (
            np.isfinite(delays) & (np.abs(delays) < 20) & (weights > 1e-4 * weights.max(initial=0))
        )
        if abs(correlation) < SAME_PERFORMANCE or not good.any():
            break
        offset, slope, slope_error = robust_line(
            centre[good], np.clip(delays[good], -2, 2), np.sqrt(weights[good]), 1e-4
        )
        delay, step = delay + offset, step + slope
        if abs(offset) + abs(slope) * frames < 2e-4:
            break
    same = abs(correlation) >= SAME_PERFORMANCE
    drift = step - 1.0
    if not same or abs(drift) < 4 * slope_error or abs(drift) * frames < 0.02:
        # No clock difference that the takes can show: one delay for all.
        middle = float(centre.mean())
        delay, step = delay + drift * middle, 1.0
        if not same:
            delay = line.delay + (line.step - 1) * middle
        correlation = block_delays(pair, Line(delay, 1.0))[2]
    return Line(delay, step, correlation)


def robust_line(x: Floats, y: Floats, weight: Floats, scale: float) -> tuple[float, float, float]:
    """Offset, slope and the slope's standard error; outliers count for little.

    Start: the median of slopes between points far apart (Theil-Sen). Then least squares,
    reweighted by Tukey's biweight; `scale` is the least spread that counts as agreement.
    """
    n = len(x)
    if n < 3 or np.ptp(x) == 0:
        return float(np.average(y, weights=weight)), 0.0, float("inf")
    i, j = np.triu_indices(n, max(1, n // 3))
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    offset = float(np.median(y - slope * x))
    error = float("inf")
    for _ in range(10):
        rest = y - offset - slope * x
        spread = max(1.4826 * float(np.median(np.abs(rest))), scale)
        w = weight * np.square(np.clip(1 - np.square(rest / (4.685 * spread)), 0, None))
        if np.count_nonzero(w) < 3:
            break
        mean = np.average(x, weights=w)
        across = float((w * np.square(x - mean)).sum())
        if across <= 0:
            break
        slope = float((w * (x - mean) * y).sum() / across)
        offset = float(np.average(y - slope * x, weights=w))
        rest = y - offset - slope * x
        share = w / w.sum()
        noise = float((share * np.square(rest)).sum()) * n / max(n - 2, 1)
        error = float(np.sqrt(noise * (np.square(w * (x - mean))).sum()) / across)
    return offset, slope, error
