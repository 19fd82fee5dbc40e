"""Where one take lies against another, to a sample of a low rate, over every lag there is.

Stretches of the reference are correlated with all of the other take, and vote. First by cells of
lags, a few stretches and then more until one cell stands out; then lag by lag around the likeliest
cells. The cost grows with the length of the other take and no faster.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Low = NDArray[np.float32]
Floats = NDArray[np.float64]

MOST_DRIFT = 400e-6
"""Clocks further apart than this are not looked for."""

_STRETCHES = 12
_AT_A_TIME = 4
_STRETCH_S = 4.0
_CELL = 32
_SIZE = 2**17
_CANDIDATES = 5
_SIDE = 2  # cells on either side of a candidate that are looked through with it
_CLEAR = 0.75
_BAND = np.convolve([1.0, 2.0, 1.0], [1.05, -1.0]).astype(np.float32)
# Delays by fractions of a sample: windowed sincs.
_BETWEEN = [
    np.sinc(np.arange(-16, 17) - fraction) * np.hanning(35)[1:-1]
    for fraction in (-0.5, -0.25, 0.25, 0.5)
]


def lag(a: Low, b: Low, rate: float) -> int:
    """How many samples later `b` is; both (frames,) at `rate` Hz; either polarity."""
    b = _shaped(b)
    stretches = _stretches(a, rate)
    if not stretches:
        return 0
    there = _There(b, stretches[0].length)
    # Spread over the take in every round, the ends first.
    order = [i for first in (0, 1, 2) for i in range(first, len(stretches), 3)]
    if len(stretches) < _STRETCHES:
        order = list(range(len(stretches)))
    used: list[_Stretch] = []
    votes = np.zeros((2, (len(a) + len(b)) // _CELL + 2), np.float32)
    candidates = np.zeros(0, np.intp)
    for first in range(0, len(order), _AT_A_TIME):
        more = [stretches[i] for i in order[first : first + _AT_A_TIME]]
        used += more
        _vote(votes, there, more, len(a))
        candidates, clear = _likeliest(votes, sum(s.weight for s in used), rate)
        if clear:
            break
    found = [_near(there, used, int(c) * _CELL - len(a)) for c in candidates]
    return max(found)[1]


@dataclass(frozen=True, eq=False)
class _Stretch:
    start: int
    samples: Low
    energy: float
    reach: int  # how far its lag may lie from the middle one's, for clocks differ

    @property
    def length(self) -> int:
        return len(self.samples)

    @property
    def weight(self) -> float:
        return float(np.sqrt(self.energy))


class _There:
    """The other take, and the energy of every stretch of it."""

    def __init__(self, samples: Low, length: int) -> None:
        self.samples, self.length = samples, length
        self.floor = 1e-3 * float(samples @ samples) / len(samples) * length + 1e-30

    def piece(self, first: int, last: int) -> Low:
        out = np.zeros(last - first, np.float32)
        low, high = max(first, 0), min(last, len(self.samples))
        if high > low:
            out[low - first : high - first] = self.samples[low:high]
        return out

    def energies(self, first: int, count: int) -> Floats:
        """Energy of the stretch beginning at each of `count` samples from `first` on."""
        there = self.piece(first, first + count + self.length)
        total = np.cumsum(np.square(there, dtype=np.float64))
        out: Floats = total[self.length - 1 : -1] + self.floor
        out[1:] -= total[: count - 1]
        return np.maximum(out, self.floor)


def _shaped(x: Low) -> Low:
    """A slope towards the middle of the band sharpens the peaks and drops DC and rumble; nothing
    near half the rate, where a peak between two samples would be missed."""
    out: Low = np.convolve(x - np.float32(x.mean(dtype=np.float64)), _BAND, mode="same")
    return out.astype(np.float32, copy=False)


def _stretches(a: Low, rate: float) -> list[_Stretch]:
    length = min(len(a), round(_STRETCH_S * rate))
    count = min(_STRETCHES, max(1, round(2 * len(a) / length) - 1))
    starts = [int(s) for s in np.linspace(0, len(a) - length, count)]
    centre = (starts[0] + starts[-1]) / 2
    found = []
    for start in starts:
        samples = _shaped(a[max(0, start - 2) : start + length + 2])
        samples = samples[min(start, 2) :][:length]
        energy = float(np.square(samples, dtype=np.float64).sum())
        if energy > 0.0:
            reach = round(MOST_DRIFT * abs(start - centre))
            found.append(_Stretch(start, samples, energy, reach))
    return found


def _vote(votes: NDArray[np.float32], there: _There, stretches: list[_Stretch], zero: int) -> None:
    """Add, to each cell of lags, the highest correlation of every stretch within it, up and down.

    Cell c holds the lags from c _CELL - zero on.
    """
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.ndimage import maximum_filter1d

    length = there.length
    wanted = len(there.samples) + 2 * length
    size = _SIZE if wanted > _SIZE and 2 * length <= _SIZE else next_fast_len(wanted, real=True)
    if wanted > size:
        size = next_fast_len(4 * length, real=True)
    hop = size - length + 1
    spectra = [np.conj(rfft(s.samples / np.float32(s.weight), size)) for s in stretches]
    highest = np.zeros((len(stretches), *votes.shape), np.float32)
    for begin in range(-length + 1, len(there.samples), hop):
        spectrum = rfft(there.piece(begin, begin + size))
        scale = (1 / np.sqrt(there.energies(begin, hop))).astype(np.float32)
        for s, own, best in zip(stretches, spectra, highest, strict=True):
            product = irfft(spectrum * own, size)[:hop]
            # product[m] is at lag begin + m - s.start: cells begin in the midst of it.
            cell, into = divmod(begin - s.start + zero, _CELL)
            padded = np.zeros(-(-(into + hop) // _CELL) * _CELL, np.float32)
            np.multiply(product, scale, out=padded[into : into + hop])
            cells = padded.reshape(-1, _CELL)
            last = min(cell + len(cells), votes.shape[1])
            low = max(cell, 0)
            for row, value in ((0, cells.max(axis=1)), (1, -cells.min(axis=1))):
                mine = best[row, low:last]
                np.maximum(mine, value[low - cell : last - cell], out=mine)
    for s, best in zip(stretches, highest, strict=True):
        wide = 2 * -(-s.reach // _CELL) + 1
        votes += np.float32(s.weight) * (maximum_filter1d(best, wide, axis=1) if wide > 1 else best)


def _likeliest(
    votes: NDArray[np.float32], weight: float, rate: float
) -> tuple[NDArray[np.intp], bool]:
    """The cells with most votes, apart from each other; and whether the first stands out."""
    left = votes.max(axis=0)
    apart = max(2, round(0.05 * rate / _CELL))
    found, heights = [], []
    for _ in range(_CANDIDATES):
        cell = int(left.argmax())
        if left[cell] <= 0:
            break
        found.append(cell)
        heights.append(float(left[cell]) / weight)
        near = _SIDE if len(found) < _CANDIDATES - 1 else apart
        left[max(0, cell - near) : cell + near + 1] = 0
    if not found:
        return np.zeros(1, np.intp), True
    best = found[0]
    elsewhere = votes.max(axis=0)
    elsewhere[max(0, best - apart) : best + apart + 1] = 0
    clear = heights[0] > _CLEAR and float(elsewhere.max()) / weight < 0.6 * heights[0]
    return np.array(found), clear


def _near(there: _There, stretches: list[_Stretch], first: int) -> tuple[float, int]:
    """The most votes, lag by lag, in a cell and those beside it; and at which lag.

    Cells were told apart at whole lags only: the true one, its peak between two, may lie beside.
    """
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.ndimage import maximum_filter1d

    side = len(_BETWEEN[0]) // 2
    count = (2 * _SIDE + 2) * _CELL
    first -= _SIDE * _CELL + _CELL // 2
    up, down = np.zeros(count), np.zeros(count)
    for s in stretches:
        edge = s.reach + side
        begin, wide = s.start + first - edge, count + 2 * edge
        size = next_fast_len(s.length + wide, real=True)
        there_ = rfft(there.piece(begin, begin + s.length + wide), size)
        product = irfft(there_ * np.conj(rfft(s.samples, size)), size)[:wide].astype(np.float64)
        product /= np.sqrt(s.energy * there.energies(begin, wide))
        for sign, sums in ((1, up), (-1, down)):
            highest = maximum_filter1d(_highest_near(sign * product), 2 * s.reach + 1)
            sums += s.weight * highest[edge : edge + count]
    best = down if down.max() > up.max() else up
    return float(best.max()), first + int(best.argmax())


def _highest_near(product: Floats) -> Floats:
    """At each lag the highest of the correlation up to half a sample away, between samples too.

    Without it a bright tone whose peak falls between two samples loses to another of its periods.
    """
    out = product.copy()
    for kernel in _BETWEEN:
        np.maximum(out, np.convolve(product, kernel, mode="same"), out=out)
    return out
