"""Loudness and true peak: ITU-R BS.1770-5.

Audio is float64, shape (frames, channels), full scale 1.0; loudness in LUFS (= LKFS).
"""

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from panel.audio.sound import Audio
from panel.audio.weighting import Weighting

if TYPE_CHECKING:
    from soxr import ResampleStream

OFFSET = -0.691
ABSOLUTE_GATE = -70.0
RELATIVE_GATE = -10.0
GATED_FROM_S = 3.0
RANGE_GATE = -20.0
RANGE_PERCENTILES = (10, 95)
_AT_A_TIME = 2**16
_PEAK_AT_A_TIME = 2**14

# The analogue prototypes behind the tables of annex 1 (the 48 kHz coefficients inverted),
# so that any sample rate gets the same curve.
_SHELF_HZ, _SHELF_Q = 1681.974450955533, 0.7071752369554196
_SHELF_VH, _SHELF_VB = 1.584864701130855, 1.258720930232562
_PASS_HZ, _PASS_Q = 38.13547087602444, 0.5003270373238773


@lru_cache(maxsize=16)
def k_weighting(rate: int) -> NDArray[np.float64]:
    """Second-order sections (2, 6) of the K-weighting at `rate`. Source: BS.1770-5, annex 1."""
    k = np.tan(np.pi * _SHELF_HZ / rate)
    a0 = 1 + k / _SHELF_Q + k * k
    shelf = [
        (_SHELF_VH + _SHELF_VB * k / _SHELF_Q + k * k) / a0,
        2 * (k * k - _SHELF_VH) / a0,
        (_SHELF_VH - _SHELF_VB * k / _SHELF_Q + k * k) / a0,
        1.0,
        2 * (k * k - 1) / a0,
        (1 - k / _SHELF_Q + k * k) / a0,
    ]
    k = np.tan(np.pi * _PASS_HZ / rate)
    a0 = 1 + k / _PASS_Q + k * k
    # The standard prints 1, -2, 1 for the numerator at 48 kHz, not divided by a0 there. The same
    # gain at every rate keeps the same curve.
    k48 = np.tan(np.pi * _PASS_HZ / 48_000)
    gain = (1 + k48 / _PASS_Q + k48 * k48) / a0
    high_pass = [gain, -2.0 * gain, gain, 1.0, 2 * (k * k - 1) / a0, (1 - k / _PASS_Q + k * k) / a0]
    return np.array([shelf, high_pass])


def channel_weights(channels: int) -> NDArray[np.float64]:
    """G of annex 1: 1 for L, R and C, 1.41 for the surrounds, 0 for the LFE.

    Order of the channels: L R C LFE Ls Rs, or L R C Ls Rs.
    """
    if channels == 6:
        return np.array([1.0, 1.0, 1.0, 0.0, 1.41, 1.41])
    if channels == 5:
        return np.array([1.0, 1.0, 1.0, 1.41, 1.41])
    return np.ones(channels)


def _factor(rate: int) -> int:
    """How many times as fast the filter must run to keep its curve: at 8 kHz it would read
    0.2 LU low at 1 kHz."""
    return 1 if rate >= 32_000 else -(-32_000 // rate)


class Meter:
    """Weighted power over a sound that comes in blocks, hop by hop.

    rate in Hz; hop_s: seconds. `add` blocks (frames, channels) in order, then ask for `hops`.
    """

    def __init__(self, rate: int, channels: int, hop_s: float = 0.1) -> None:
        factor = _factor(rate)
        self.rate = rate * factor
        self.hop = round(hop_s * self.rate)
        self.weights = channel_weights(channels)
        self.filters = [Weighting(k_weighting(self.rate)) for _ in range(channels)]
        self.faster: ResampleStream | None = None
        if factor > 1:
            import soxr

            self.faster = soxr.ResampleStream(
                rate, self.rate, channels, dtype="float32", quality="HQ"
            )
        self.frames = 0
        self.whole: list[NDArray[np.float64]] = []  # energies of whole hops, by the block
        self.part = 0.0  # energy of the hop that is not whole yet
        self.done = False

    def add(self, block: NDArray[np.floating]) -> None:
        if self.faster is not None:
            block = self.faster.resample_chunk(block.astype(np.float32))
        for first in range(0, len(block), _AT_A_TIME):
            self._add(block[first : first + _AT_A_TIME])

    def _add(self, block: NDArray[np.floating]) -> None:
        ready = [own.add(block[:, i]) for i, own in enumerate(self.filters)]
        self._take(ready)

    def _take(self, ready: list[NDArray[np.float32]]) -> None:
        """Add filtered samples to the hops."""
        there = self.frames % self.hop
        self.frames += len(ready[0])
        begins = min(self.hop - there, len(ready[0])) if there else 0
        count = (len(ready[0]) - begins) // self.hop
        ends = begins + count * self.hop
        energies = np.zeros(count)
        for y, weight in zip(ready, self.weights, strict=True):
            self.part += weight * float(y[:begins] @ y[:begins])
            hops = y[begins:ends].reshape(count, self.hop)
            energies += weight * np.einsum("ij,ij->i", hops, hops)
        if begins and there + begins == self.hop:
            self.whole.append(np.array([self.part]))
            self.part = 0.0
        self.whole.append(energies)
        for y, weight in zip(ready, self.weights, strict=True):
            self.part += weight * float(y[ends:] @ y[ends:])

    def hops(self) -> NDArray[np.float64]:
        """Energy (sum of squares, channels weighted) of each whole hop; closes the meter."""
        if not self.done:
            if self.faster is not None:
                last = np.zeros((0, len(self.filters)), np.float32)
                self._add(self.faster.resample_chunk(last, last=True))
            self._take([own.finish() for own in self.filters])
            self.done = True
        return np.concatenate(self.whole) if self.whole else np.zeros(0)

    def power(self) -> float:
        """Mean weighted power of everything; closes the meter."""
        total = float(self.hops().sum()) + self.part
        return total / self.frames if self.frames else 0.0

    def blocks(self, seconds: float) -> NDArray[np.float64]:
        """Mean power of each stretch of so many seconds, one every hop; closes the meter."""
        hops = self.hops()
        count = round(seconds * self.rate / self.hop)
        if len(hops) < count:
            return np.zeros(0)
        sums: NDArray[np.float64] = np.lib.stride_tricks.sliding_window_view(hops, count).sum(
            axis=1
        )
        return sums / (count * self.hop)

    def integrated(self) -> float:
        """As `integrated`; closes the meter."""
        return _gated(self.blocks(0.4))

    def range_lu(self) -> float | None:
        """As `range_lu`; closes the meter."""
        return _range(self.blocks(3.0))


def _metered(samples: Audio, rate: int, hop_s: float = 0.1) -> Meter:
    meter = Meter(rate, samples.shape[1], hop_s)
    meter.add(samples)
    return meter


def lufs(power: float) -> float:
    """Loudness of a mean weighted power; -inf for none."""
    return OFFSET + 10 * float(np.log10(power)) if power > 0 else float("-inf")


def integrated(samples: Audio, rate: int) -> float:
    """Gated loudness in LUFS: 400 ms blocks, 75 % overlap, gates at -70 LUFS and -10 LU.

    -inf when no block passes. Source: BS.1770-5, annex 1.
    """
    return _metered(samples, rate).integrated()


def _gated(power: NDArray[np.float64]) -> float:
    passed = power[power > 10 ** ((ABSOLUTE_GATE - OFFSET) / 10)]
    if passed.size == 0:
        return float("-inf")
    passed = passed[passed > passed.mean() * 10 ** (RELATIVE_GATE / 10)]
    return lufs(float(passed.mean()))


def range_lu(samples: Audio, rate: int) -> float | None:
    """Loudness range in LU: from the 10th to the 95th percentile of the short-term loudness (3 s,
    ten a second) that passes gates at -70 LUFS and 20 LU under its own mean power.

    None when nothing passes. Source: EBU Tech 3342.
    """
    return _metered(samples, rate).range_lu()


def _range(power: NDArray[np.float64]) -> float | None:
    passed = power[power > 10 ** ((ABSOLUTE_GATE - OFFSET) / 10)]
    if passed.size == 0:
        return None
    passed = passed[passed >= passed.mean() * 10 ** (RANGE_GATE / 10)]
    low, high = np.percentile(10 * np.log10(passed), RANGE_PERCENTILES, method="nearest")
    return float(high - low)


def ungated(samples: Audio, rate: int) -> float:
    """Loudness in LUFS of everything, without gates: for clips too short to gate."""
    if samples.shape[0] == 0:
        return float("-inf")
    return lufs(_metered(samples, rate).power())


def for_clip(samples: Audio, rate: int) -> tuple[float, str]:
    """Loudness of a clip and how it was measured: "gated" from 3 s on, else "ungated"."""
    if samples.shape[0] >= GATED_FROM_S * rate:
        return integrated(samples, rate), "gated"
    return ungated(samples, rate), "ungated"


def momentary(samples: Audio, rate: int, hop_s: float = 0.01) -> NDArray[np.float64]:
    """Loudness of each 400 ms in LUFS, one value every `hop_s`. Source: EBU Tech 3341."""
    return _in_lufs(_metered(samples, rate, hop_s).blocks(0.4))


def short_term(samples: Audio, rate: int, hop_s: float = 0.1) -> NDArray[np.float64]:
    """Loudness of each 3 s in LUFS, one value every `hop_s`. Source: EBU Tech 3341."""
    return _in_lufs(_metered(samples, rate, hop_s).blocks(3.0))


def _in_lufs(power: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        out: NDArray[np.float64] = OFFSET + 10 * np.log10(power)
    return out


class PeakMeter:
    """True peak over a sound that comes in blocks (frames, channels), in order.

    Oversampled by four below 96 kHz, by two below 192 kHz. Source: BS.1770-5, annex 2.
    """

    def __init__(self, rate: int, channels: int) -> None:
        import soxr

        self.peak = 0.0
        self.edge = np.zeros((min(256, rate // 100), channels), np.float32)
        self.faster = None
        if rate < 192_000:
            faster = rate * (4 if rate < 96_000 else 2)
            self.faster = soxr.ResampleStream(rate, faster, channels, dtype="float32", quality="HQ")
            self.faster.resample_chunk(self.edge)

    def add(self, block: NDArray[np.floating]) -> None:
        for first in range(0, len(block), _PEAK_AT_A_TIME):
            self._see(block[first : first + _PEAK_AT_A_TIME])
            part = np.ascontiguousarray(block[first : first + _PEAK_AT_A_TIME], dtype=np.float32)
            if self.faster is not None:
                self._see(self.faster.resample_chunk(part))

    def db(self) -> float:
        """dBTP; -inf for silence. Closes the meter."""
        if self.faster is not None:
            self._see(self.faster.resample_chunk(self.edge, last=True))
            self.faster = None
        return 20 * float(np.log10(self.peak)) if self.peak > 0 else float("-inf")

    def _see(self, part: NDArray[np.floating]) -> None:
        highest = float(part.max(initial=0.0))
        self.peak = max(self.peak, highest, -float(part.min(initial=0.0)))


def true_peak_db(samples: Audio, rate: int) -> float:
    """Highest level between and on the samples, dBTP; -inf for silence. See `PeakMeter`."""
    if not samples.any():
        return float("-inf")
    meter = PeakMeter(rate, samples.shape[1])
    meter.add(samples)
    return meter.db()
