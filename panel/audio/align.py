"""Alignment: how much later, how much faster, and which way up the other take is.

The other take is modelled as b(t) = g a((t - delay) (1 + drift)), in samples of the reference:
the sound at reference sample n lies in the other take at delay + n / (1 + drift). Three steps:
cross-correlation of a few stretches at a low rate over every lag (they vote, so a repeated note
does not mislead); cross-correlation of many short blocks at the full rate and a robust line
through their lags; then Gauss-Newton on the delay of each block, with the other take
interpolated onto the line so far, which leaves no bias from block edges.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panel.audio import whitened
from panel.audio.sound import Audio
from panel.audio.warp import at_positions

Floats = NDArray[np.float64]

MOST_DRIFT = 400e-6
"""Clocks further apart than this are not looked for."""

SAME_PERFORMANCE = 0.5
"""Below this correlation two takes are not treated as the same performance."""

_DOUBTFUL = 0.97
_COARSE_HZ = 8_000
_STRETCHES = 12
_STRETCH_S = 4.0
_BLOCKS = 60
_BAND = np.convolve([1.0, 2.0, 1.0], [1.05, -1.0])
# Delays by fractions of a sample: windowed sincs.
_BETWEEN = [
    np.sinc(np.arange(-16, 17) - fraction) * np.hanning(35)[1:-1]
    for fraction in (-0.5, -0.25, 0.25, 0.5)
]


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


def align(reference: Audio, other: Audio, rate: int) -> Alignment:
    """Find the alignment of `other` to `reference`, both (frames, channels) at `rate`.

    Never fails: takes that have nothing in common come back with a correlation near 0, their
    beginnings together, without drift.
    """
    a, b = same_channels(reference, other)
    if min(len(a), len(b)) < 32 or not a.any() or not b.any():
        return NOT_FOUND
    mono_a, mono_b = _one_channel(a, b)
    lag = _coarse(mono_a, mono_b, rate)
    blocks = _blocks(mono_a, rate)
    line = _fine(mono_a, mono_b, blocks, lag, rate)
    found = Alignment(line[0], _ppm(line[1]), False, False, 0.0)
    if a.shape[1] == 2:
        found = replace(found, swapped=_is_swapped(a, b, blocks, found))
        if found.swapped:
            b = b[:, ::-1]
    swapped = found.swapped
    found = _newton(a, b, blocks, replace(found, swapped=False), rate, swapped=swapped)
    if found.correlation < _DOUBTFUL:
        start = whitened.delay(mono_a, mono_b, rate)
        again = Alignment(start, 0.0, False, False, 0.0)
        again = _newton(a, b, blocks, again, rate, swapped=swapped)
        if again.correlation > found.correlation + 0.01:
            found = again
    if found.correlation < SAME_PERFORMANCE:
        # Not the same performance: a lag means nothing, so let both begin together.
        begins = float(_onset(b, rate) - _onset(a, rate))
        return Alignment(begins, 0.0, False, False, found.correlation)
    return found


def refine(reference: Audio, other: Audio, start: int, frames: int, found: Alignment) -> Alignment:
    """The same alignment with its delay made best for one excerpt of the reference.

    Takes move against each other by a little within a performance. The delay moves by at most
    two samples, and only where the excerpt is the same performance.
    """
    a, b = same_channels(reference, other)
    if found.swapped:
        b = b[:, ::-1]
    blocks = np.array([[start, start + frames]])
    delay = found.delay_samples
    for _ in range(4):
        here = replace(found, delay_samples=delay)
        delays, _, correlation = _block_delays(a, b, blocks, here)
        if not len(delays) or correlation < SAME_PERFORMANCE:
            return found
        delay += float(np.clip(delays[0], -1, 1))
        if abs(delay - found.delay_samples) > 2:
            return found
        if abs(delays[0]) < 1e-4:
            break
    return replace(found, delay_samples=delay)


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


def _ppm(step: float) -> float:
    return (1 / step - 1) * 1e6


def _onset(samples: Audio, rate: int) -> int:
    """Where the sound begins: the first 10 ms with a tenth of the loudest 10 ms' RMS."""
    block = max(1, rate // 100)
    count = max(1, len(samples) // block)
    power = np.square(samples[: count * block]).reshape(count, -1).mean(axis=1)
    return int(np.argmax(power >= 0.01 * power.max())) * block


def _one_channel(a: Audio, b: Audio) -> tuple[Floats, Floats]:
    """The sum of the channels; their difference where the sum all but cancels."""
    if a.shape[1] == 1:
        return a[:, 0], b[:, 0]
    total = float(np.square(a).sum())
    if np.square(a.sum(axis=1)).sum() > 0.05 * total:
        return a.sum(axis=1), b.sum(axis=1)
    return a[:, 0] - a[:, 1], b[:, 0] - b[:, 1]


def _coarse(a: Floats, b: Floats, rate: int) -> float:
    """Lag of b in samples: stretches of a vote over all lags, for either polarity."""
    import soxr
    from scipy.ndimage import maximum_filter1d
    from scipy.signal import oaconvolve

    low = min(_COARSE_HZ, rate)
    if low < rate:
        a, b = (soxr.resample(x, rate, low, "MQ") for x in (a, b))
    # A slope towards the middle of the band sharpens the peaks and drops DC and rumble; nothing
    # near half the rate, where a peak between two samples would be missed.
    a, b = (np.convolve(x - x.mean(), _BAND, mode="same") for x in (a, b))
    starts, length = _stretches(len(a), low)
    offset = len(a) + length
    upright = np.zeros(offset + len(b) + length)
    inverse = np.zeros_like(upright)
    energy_b = np.concatenate((np.zeros(length), np.cumsum(np.square(b)), np.zeros(length)))
    energy_b[-length:] = energy_b[-length - 1]
    local = energy_b[length:] - energy_b[:-length]
    floor = 1e-3 * float(np.square(b).mean()) * length + 1e-300
    centre = (starts[0] + starts[-1]) / 2
    for start in starts:
        stretch = a[start : start + length]
        energy = float(np.square(stretch).sum())
        if energy == 0.0:
            continue
        product = oaconvolve(b, stretch[::-1])
        product /= np.sqrt(energy * (local[: len(product)] + floor))
        reach = 2 * round(MOST_DRIFT * abs(start - centre)) + 1
        # product[m] has the stretch begin at m - (length - 1) of b.
        at = offset - (length - 1) - start
        weight = np.sqrt(energy)
        up, down = _highest_near(product), _highest_near(-product)
        upright[at : at + len(product)] += weight * maximum_filter1d(up, reach)
        inverse[at : at + len(product)] += weight * maximum_filter1d(down, reach)
    best = inverse if inverse.max() > upright.max() else upright
    return (int(best.argmax()) - offset) * rate / low


def _highest_near(product: Floats) -> Floats:
    """At each lag the highest of the correlation up to half a sample away, between samples too.

    Without it a bright tone whose peak falls between two samples loses to another of its periods.
    """
    out = product.copy()
    if len(product) < len(_BETWEEN[0]):
        return out
    for kernel in _BETWEEN:
        moved = np.convolve(product, kernel, mode="same")
        np.maximum(out, moved, out=out)
    return out


def _stretches(frames: int, rate: int) -> tuple[list[int], int]:
    length = min(frames, round(_STRETCH_S * rate))
    count = min(_STRETCHES, max(1, round(2 * frames / length) - 1))
    return [int(s) for s in np.linspace(0, frames - length, count)], length


def _blocks(a: Floats, rate: int) -> NDArray[np.intp]:
    """Blocks of the reference to compare, shape (n, 2): evenly spread, those with sound in them."""
    length = int(np.clip(len(a) / 16, 0.125 * rate, 0.3 * rate))
    length = min(length, len(a))
    count = max(1, min(_BLOCKS, len(a) // length))
    starts = np.linspace(0, len(a) - length, count).astype(np.intp)
    energy = np.array([np.square(a[s : s + length]).sum() for s in starts])
    starts = starts[energy > 1e-4 * energy.max()]
    return np.stack((starts, starts + length), axis=1)


def _fine(
    a: Floats, b: Floats, blocks: NDArray[np.intp], lag: float, rate: int
) -> tuple[float, float]:
    """Delay at 0 and step of the line through the blocks' lags at the full rate."""
    from scipy.signal import correlate

    middle = float(blocks.mean())
    near = int(4 * rate / _COARSE_HZ) + 4
    found: list[tuple[float, float, float, float, float]] = []  # when; lag, height: up, down
    for start, stop in blocks:
        x = a[start:stop] - a[start:stop].mean()
        reach = near + int(MOST_DRIFT * abs((start + stop) / 2 - middle))
        low = start + round(lag) - reach
        y = np.zeros(stop - start + 2 * reach)
        first, last = max(low, 0), min(low + len(y), len(b))
        if last - first < 0.5 * (stop - start):
            continue
        y[first - low : last - low] = b[first:last] - b[first:last].mean()
        product = correlate(y, x, mode="valid", method="fft")
        total = np.concatenate(([0.0], np.cumsum(np.square(y))))
        power = total[len(x) :] - total[: -len(x)]
        product /= np.sqrt(np.square(x).sum() * power + 1e-300)
        up, down = _between(product), _between(-product)
        middle_of = (start + stop) / 2
        found.append((middle_of, low - start + up[0], up[1], low - start + down[0], down[1]))
    table = np.array(found).reshape(-1, 5)
    which = 3 if np.square(table[:, 4]).sum() > np.square(table[:, 2]).sum() else 1
    table = table[table[:, which + 1] > 0.3]
    if not len(table):
        return lag, 1.0
    when, lags, weights = table[:, 0], table[:, which], table[:, which + 1]
    offset, slope, _ = _robust_line(when, lags, weights, 0.25)
    if abs(slope) > MOST_DRIFT:
        slope, offset = 0.0, float(np.median(lags))
    return offset, 1.0 + slope


def _between(product: Floats) -> tuple[float, float]:
    """Where a band-limited correlation really peaks, to a sixteenth of a sample, and how high."""
    peak = int(product.argmax())
    near = at_positions(product[:, None], peak - 1.0, 1 / 16, 33)[:, 0]
    return peak - 1.0 + int(near.argmax()) / 16, float(near.max())


def _robust_line(x: Floats, y: Floats, weight: Floats, scale: float) -> tuple[float, float, float]:
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


def _is_swapped(a: Audio, b: Audio, blocks: NDArray[np.intp], found: Alignment) -> bool:
    straight = crossed = 0.0
    for start, stop in blocks:
        x, y = a[start:stop], apply(b, found, float(start), int(stop - start))
        straight += float((x * y).sum())
        crossed += float((x * y[:, ::-1]).sum())
    whole = float(np.square(a).sum() * np.square(b).sum()) ** 0.5
    return abs(crossed) > 1.02 * abs(straight) and abs(crossed) > 0.01 * whole / len(a) * len(
        blocks
    )


def _block_delays(
    a: Audio, b: Audio, blocks: NDArray[np.intp], found: Alignment
) -> tuple[Floats, Floats, float]:
    """What delay is left in each block, its weight, and the signed correlation over all.

    Least squares of b = g a - g d a' over the block: d is the delay left. Zero filter error in
    a' leaves the fixed point where it is, so a five-point derivative will do.
    """
    delays, weights = [], []
    cross = power_a = power_b = 0.0
    step = found.step
    for start, stop in blocks:
        first, last = found.position(start), found.position(stop - 1)
        if first < 0 or last > len(b) - 1:  # only partly shared: keep what is
            low = int(np.ceil(max(start, (0 - found.delay_samples) / step)))
            high = int(np.floor(min(stop, (len(b) - 1 - found.delay_samples) / step)))
            if high - low < 0.3 * (stop - start):
                delays.append(np.nan)
                weights.append(0.0)
                continue
            start, stop = low, high
        x = a[start:stop] - a[start:stop].mean(axis=0)
        y = at_positions(b, found.position(start), step, int(stop - start))
        y -= y.mean(axis=0)
        slope = np.zeros_like(x)
        slope[2:-2] = (8 * (x[3:-1] - x[1:-3]) - (x[4:] - x[:-4])) / 12
        xx, ss, xs = (float((p * q).sum()) for p, q in ((x, x), (slope, slope), (x, slope)))
        xy, sy = float((x * y).sum()), float((slope * y).sum())
        determinant = xx * ss - xs * xs
        gain = (xy * ss - sy * xs) / determinant if determinant > 0 else 0.0
        tilt = (sy * xx - xy * xs) / determinant if determinant > 0 else 0.0
        cross, power_a, power_b = cross + xy, power_a + xx, power_b + float((y * y).sum())
        delays.append(-tilt / gain if gain else np.nan)
        weights.append(ss)
    correlation = cross / np.sqrt(power_a * power_b) if power_a * power_b > 0 else 0.0
    return np.array(delays), np.array(weights), float(correlation)


def _newton(
    a: Audio,
    b: Audio,
    blocks: NDArray[np.intp],
    found: Alignment,
    rate: int,
    *,
    swapped: bool,
) -> Alignment:
    delay, step = found.delay_samples, found.step
    centre = blocks.mean(axis=1)
    slope_error = float("inf")
    correlation = 0.0
    for _ in range(8):
        here = Alignment(delay, _ppm(step), False, False, 0.0)
        delays, weights, correlation = _block_delays(a, b, blocks, here)
        good = (
            np.isfinite(delays) & (np.abs(delays) < 20) & (weights > 1e-4 * weights.max(initial=0))
        )
        if abs(correlation) < SAME_PERFORMANCE or not good.any():
            break
        offset, slope, slope_error = _robust_line(
            centre[good], np.clip(delays[good], -2, 2), np.sqrt(weights[good]), 1e-4
        )
        delay, step = delay + offset, step + slope
        if abs(offset) + abs(slope) * len(a) < 2e-4:
            break
    same = abs(correlation) >= SAME_PERFORMANCE
    drift = step - 1.0
    if not same or abs(drift) < 4 * slope_error or abs(drift) * len(a) < 0.02:
        # No clock difference that the takes can show: one delay for all.
        middle = float(centre.mean())
        delay, step = delay + drift * middle, 1.0
        if not same:
            delay = found.delay_samples + (found.step - 1) * middle
        here = Alignment(delay, 0.0, False, False, 0.0)
        delays, weights, correlation = _block_delays(a, b, blocks, here)
    return Alignment(delay, _ppm(step), correlation < 0, swapped, min(1.0, abs(correlation)))
