"""Sound between its samples: one linear-phase interpolation, for any delay and clock drift.

A Kaiser-windowed sinc of 128 taps: flat and without phase error to about 0.94 of half the
sample rate. No other filter touches a clip on its way to the listener.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from panel.audio.sound import Audio

HALF = 64
_PHASES = 1024
_BETA = 9.0
_CHUNK = 4096


def _kernel(offset: NDArray[np.float64]) -> NDArray[np.float64]:
    """Windowed sinc at distances `offset` in samples."""
    inside = np.clip(1 - (offset / HALF) ** 2, 0, None)
    window = np.i0(_BETA * np.sqrt(inside)) / np.i0(_BETA)
    out: NDArray[np.float64] = np.sinc(offset) * window * (np.abs(offset) < HALF)
    return out


@lru_cache(maxsize=1)
def _table() -> NDArray[np.float64]:
    """Taps for each of `_PHASES` + 1 fractions from 0 to 1, shape (phases + 1, 2 HALF)."""
    taps = np.arange(-HALF + 1, HALF + 1, dtype=np.float64)
    fractions = np.arange(_PHASES + 1) / _PHASES
    rows = _kernel(taps[None, :] - fractions[:, None])
    out: NDArray[np.float64] = rows / rows.sum(axis=1, keepdims=True)
    return out


def at_positions(samples: Audio, start: float, step: float, frames: int) -> Audio:
    """Samples at the positions `start + step * n`, n = 0 .. frames - 1; shape (frames, channels).

    Positions are in samples of `samples`; before its start and after its end there is silence.
    `step` is meant to be near 1: it corrects a clock, and does not guard against aliasing.
    """
    first = int(np.floor(start)) - HALF + 1
    last = int(np.floor(start + step * max(frames - 1, 0))) + HALF + 1
    padded = _slice(samples, first, last)
    begin = start - np.floor(start)  # position 0 of `padded` is tap 0 of the first output
    if step == 1.0:
        return _constant(padded, begin, frames)
    table = _table()
    out = np.empty((frames, samples.shape[1]))
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * HALF, axis=0)
    for at in range(0, frames, _CHUNK):
        n = np.arange(at, min(at + _CHUNK, frames))
        position = begin + step * n
        whole = np.floor(position).astype(np.intp)
        phase = (position - whole) * _PHASES
        row = np.minimum(phase.astype(np.intp), _PHASES - 1)
        share = (phase - row)[:, None]
        taps = table[row]
        taps += share * (table[row + 1] - taps)
        for channel in range(samples.shape[1]):
            out[n, channel] = np.einsum("nk,nk->n", windows[whole, channel], taps)
    return out


def _constant(padded: Audio, fraction: float, frames: int) -> Audio:
    if fraction == 0.0:
        return padded[HALF - 1 : HALF - 1 + frames].copy()
    from scipy.signal import oaconvolve

    taps = _kernel(np.arange(-HALF + 1, HALF + 1, dtype=np.float64) - fraction)
    taps /= taps.sum()
    out: Audio = oaconvolve(padded, taps[::-1, None], mode="valid", axes=0)[:frames]
    return out


def _slice(samples: Audio, first: int, last: int) -> Audio:
    """`samples[first:last]`, with silence where that reaches outside."""
    out = np.zeros((last - first, samples.shape[1]))
    low, high = max(first, 0), min(last, samples.shape[0])
    if high > low:
        out[low - first : high - first] = samples[low:high]
    return out
