"""Loudness and true peak: ITU-R BS.1770-5.

Audio is float64, shape (frames, channels), full scale 1.0; loudness in LUFS (= LKFS).
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from panel.audio.sound import Audio

OFFSET = -0.691
ABSOLUTE_GATE = -70.0
RELATIVE_GATE = -10.0
GATED_FROM_S = 3.0

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


def weighted(samples: Audio, rate: int) -> Audio:
    """The K-weighted samples, same shape."""
    from scipy.signal import sosfilt

    out: Audio = sosfilt(k_weighting(rate), samples, axis=0)
    return out


def _fast_enough(samples: Audio, rate: int) -> tuple[Audio, int]:
    """At a rate where the filter keeps its curve: at 8 kHz it would read 0.2 LU low at 1 kHz."""
    if rate >= 32_000:
        return samples, rate
    import soxr

    faster = rate * -(-32_000 // rate)
    return soxr.resample(samples, rate, faster, "HQ"), faster


def _powers(samples: Audio, rate: int, block_s: float, hop_s: float) -> NDArray[np.float64]:
    """Weighted power of each whole block of `block_s`, one every `hop_s` seconds."""
    samples, rate = _fast_enough(samples, rate)
    block, hop = round(block_s * rate), round(hop_s * rate)
    filtered = weighted(samples, rate)
    weights = channel_weights(samples.shape[1])
    if block % hop == 0:  # sums over hops, of which a block is so many
        hops = len(filtered) // hop
        parts = filtered[: hops * hop].reshape(hops, hop, -1)
        step = np.einsum("hnc,hnc->hc", parts, parts) @ weights
        if hops < block // hop:
            return np.zeros(0)
        of_block = np.lib.stride_tricks.sliding_window_view(step, block // hop)
        sums: NDArray[np.float64] = of_block.sum(axis=1)
        return sums / block
    energy = np.square(filtered) @ weights
    total = np.concatenate(([0.0], np.cumsum(energy)))
    starts = np.arange(0, len(energy) - block + 1, hop)
    power: NDArray[np.float64] = np.maximum(total[starts + block] - total[starts], 0.0) / block
    return power


def _lufs(power: float) -> float:
    return OFFSET + 10 * float(np.log10(power)) if power > 0 else float("-inf")


def integrated(samples: Audio, rate: int) -> float:
    """Gated loudness in LUFS: 400 ms blocks, 75 % overlap, gates at -70 LUFS and -10 LU.

    -inf when no block passes. Source: BS.1770-5, annex 1.
    """
    power = _powers(samples, rate, 0.4, 0.1)
    passed = power[power > 10 ** ((ABSOLUTE_GATE - OFFSET) / 10)]
    if passed.size == 0:
        return float("-inf")
    passed = passed[passed > passed.mean() * 10 ** (RELATIVE_GATE / 10)]
    return _lufs(float(passed.mean()))


def ungated(samples: Audio, rate: int) -> float:
    """Loudness in LUFS of everything, without gates: for clips too short to gate."""
    if samples.shape[0] == 0:
        return float("-inf")
    samples, rate = _fast_enough(samples, rate)
    power = np.square(weighted(samples, rate)).mean(axis=0) @ channel_weights(samples.shape[1])
    return _lufs(float(power))


def for_clip(samples: Audio, rate: int) -> tuple[float, str]:
    """Loudness of a clip and how it was measured: "gated" from 3 s on, else "ungated"."""
    if samples.shape[0] >= GATED_FROM_S * rate:
        return integrated(samples, rate), "gated"
    return ungated(samples, rate), "ungated"


def momentary(samples: Audio, rate: int, hop_s: float = 0.01) -> NDArray[np.float64]:
    """Loudness of each 400 ms in LUFS, one value every `hop_s`. Source: EBU Tech 3341."""
    return _in_lufs(_powers(samples, rate, 0.4, hop_s))


def short_term(samples: Audio, rate: int, hop_s: float = 0.1) -> NDArray[np.float64]:
    """Loudness of each 3 s in LUFS, one value every `hop_s`. Source: EBU Tech 3341."""
    return _in_lufs(_powers(samples, rate, 3.0, hop_s))


def _in_lufs(power: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        out: NDArray[np.float64] = OFFSET + 10 * np.log10(power)
    return out


def true_peak_db(samples: Audio, rate: int) -> float:
    """Highest level between and on the samples, dBTP; -inf for silence.

    Oversampled by four up to 96 kHz, by two up to 192 kHz. Source: BS.1770-5, annex 2.
    """
    peak = float(np.abs(samples).max(initial=0.0))
    if peak == 0.0:
        return float("-inf")
    factor = 4 if rate < 96_000 else 2
    if rate < 192_000:
        import soxr

        edge = np.zeros((min(256, rate // 100), samples.shape[1]))
        padded = np.concatenate((edge, samples, edge))
        peak = max(peak, float(np.abs(soxr.resample(padded, rate, factor * rate, "HQ")).max()))
    return 20 * float(np.log10(peak))
