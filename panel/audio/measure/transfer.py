"""The transfer function from one take to another, with the coherence that says how far to trust it.

Welch's averaged cross-spectra (Bendat & Piersol, Random Data, chapter on single-input systems;
from memory), gathered into narrow bands of equal width on a logarithmic axis.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.sound import Audio

Floats = NDArray[np.float64]

_OCTAVE_PARTS = 24
_WIDEST_OCTAVES = 1 / 3
_LEAST_AVERAGES = 4.0
_LEAST_POWER = 1e-11
_FIRST_BIN = 5
_TOP_OF_BAND = 0.88  # of half the rate: what interpolation and the comparison's filter leave alone
_LOWEST_SIGMA = 1e-4
_NEIGHBOURS = 12
_LEAK = 1e-4


@dataclass(frozen=True, eq=False)
class Transfer:
    """How B follows from A, band by band; all arrays have one value a band.

    hz: centre of A's power in the band. log_gain: natural logarithm of |H|, midway between what
    noise in B alone and noise in A alone would make of it. half_range: half the distance between
    those two, ln(1 / coherence) / 2. sigma: random standard error of log_gain.
    coherence: 0 to 1, corrected for the number of averages.
    """

    hz: Floats
    log_gain: Floats
    half_range: Floats
    sigma: Floats
    coherence: Floats


def transfer(a: Audio, b: Audio, rate: int) -> Transfer:
    """Of aligned takes, both (frames, channels); channels are averaged in power.

    Bands without sound in both, or whose coherence is under a half, are left out.
    """
    # Silence before and after, so that the first and the last moment count like the others.
    edge = np.zeros((_segment_length(len(a), rate) // 2, a.shape[1]))
    padded = [np.concatenate((edge, x - x.mean(axis=0), edge)) for x in (a, b)]
    found, keep = _all_bands(padded[:1], padded[1:], _segment_length(len(a), rate), rate)
    return _only(found, keep)


def transfers(
    reference: Sequence[Audio], others: Sequence[Sequence[Audio]], rate: int
) -> list[Transfer]:
    """From one reference to each of several aligned takes, all in the same bands.

    Each take is a sequence of excerpts, the same for all. They may be cut in the middle of a note:
    no segment meets their ends, as what a cut spreads over the spectrum tells of the cut alone. A
    band is left out for all where it would be for one of them (see `transfer`).
    """
    length = _segment_length(min(len(piece) for piece in reference), rate)
    found = [_all_bands(reference, other, length, rate) for other in others]
    keep = np.logical_and.reduce([ok for _, ok in found])
    return [_only(one, keep) for one, _ in found]


def _all_bands(
    a: Sequence[Audio], b: Sequence[Audio], length: int, rate: int
) -> tuple[Transfer, NDArray[np.bool_]]:
    """Every band, and which of them say something. Where the bands lie depends on A alone."""
    sxx, syy, sxy, squares, segments = _spectra(a, b, length)
    bin_hz = rate / length
    hz = bin_hz * np.arange(len(sxx))
    last = int(_TOP_OF_BAND * rate / 2 / bin_hz)
    edges = _edges(last)
    # Sums over bins by differences of running sums would lose quiet bands beside loud ones.
    sums = [
        np.add.reduceat(values, edges)[:-1]
        for values in (sxx, syy, sxy.real, sxy.imag, squares, sxx * hz)
    ]
    rows = _merged(np.array(sums, dtype=np.float64), hz[edges].astype(np.float64), segments)
    xx, yy, re, im, square, moment = rows
    enough = (xx > _LEAST_POWER * xx.sum()) & (yy > _LEAST_POWER * yy.sum())
    enough &= _own_sound(moment / np.maximum(xx, 1e-300), xx)
    xx, yy = np.maximum(xx, 1e-300), np.maximum(yy, 1e-300)
    averages = np.maximum(_averages(xx, square, segments), 1.5)
    raw = np.minimum((re * re + im * im) / (xx * yy), 1.0)
    coherence = np.clip((raw * averages - 1) / (averages - 1), 1e-6, 1.0)
    sigma = np.sqrt((1 - coherence) / (2 * coherence * averages)) + _LOWEST_SIGMA
    found = Transfer(moment / xx, 0.5 * np.log(yy / xx), -0.5 * np.log(coherence), sigma, coherence)
    return found, enough & (coherence > 0.5)


def _only(found: Transfer, keep: NDArray[np.bool_]) -> Transfer:
    return Transfer(
        found.hz[keep],
        found.log_gain[keep],
        found.half_range[keep],
        found.sigma[keep],
        found.coherence[keep],
    )


def _own_sound(hz: Floats, power: Floats) -> NDArray[np.bool_]:
    """Bands not so far below a neighbour that what they hold may have leaked from it."""
    from scipy.ndimage import maximum_filter1d

    density = power / np.maximum(hz, 1e-300)
    near: Floats = maximum_filter1d(density, 2 * _NEIGHBOURS + 1)
    out: NDArray[np.bool_] = density > _LEAK * near
    return out


def _segment_length(frames: int, rate: int) -> int:
    from scipy.fft import next_fast_len

    length = int(np.clip(frames / 6, min(0.2 * rate, frames), 4.0 * rate))
    return min(int(next_fast_len(length, real=True)), frames)


def _spectra(
    a: Sequence[Audio], b: Sequence[Audio], length: int
) -> tuple[Floats, Floats, NDArray[np.complex128], Floats, int]:
    """Sums over Hann-windowed, half overlapping segments, and the sum of squares of A's power."""
    from scipy.fft import rfft

    window = np.hanning(length + 1)[:-1, None]
    bins = length // 2 + 1
    sxx, syy, squares = np.zeros(bins), np.zeros(bins), np.zeros(bins)
    sxy = np.zeros(bins, dtype=np.complex128)
    segments = 0
    for first, second in zip(a, b, strict=True):
        for start in range(0, len(first) - length + 1, max(1, length // 2)):
            x, y = (piece[start : start + length] for piece in (first, second))
            p = rfft(x * window, axis=0)
            q = rfft(y * window, axis=0)
            power = (p.real**2 + p.imag**2).sum(axis=1)
            sxx += power
            squares += power * power
            syy += (q.real**2 + q.imag**2).sum(axis=1)
            sxy += (np.conj(p) * q).sum(axis=1)
            segments += 1
    return sxx, syy, sxy, squares, segments


def _edges(last: int) -> NDArray[np.intp]:
    """First bins of the bands, and one past the last; at least a bin each."""
    count = max(1, int(np.ceil(_OCTAVE_PARTS * np.log2(max(last, 2 * _FIRST_BIN) / _FIRST_BIN))))
    spread = np.rint(_FIRST_BIN * 2 ** (np.arange(count + 1) / _OCTAVE_PARTS)).astype(np.intp)
    out: NDArray[np.intp] = np.unique(np.minimum(spread, last))
    return out


def _averages(power: Floats, squares: Floats, segments: int) -> Floats:
    """How many independent averages a band's power amounts to (Hann, half overlap: 1.5 bins)."""
    out: Floats = np.square(power) / np.maximum(squares, 1e-300) / (1.5 if segments > 1 else 1.0)
    return out


def _merged(rows: Floats, low_hz: Floats, segments: int) -> Floats:
    """Neighbouring bands joined until each has averages enough, up to a third of an octave."""
    out: list[Floats] = []
    held: Floats | None = None
    begins = low_hz[0]
    for i in range(rows.shape[1]):
        if held is None:
            held, begins = rows[:, i].copy(), low_hz[i]
        else:
            held = held + rows[:, i]
        wide = low_hz[i + 1] >= begins * 2**_WIDEST_OCTAVES
        many = float(_averages(held[:1], held[4:5], segments)[0]) >= _LEAST_AVERAGES
        if wide or many:
            out.append(held)
            held = None
    if held is not None:
        out.append(held)
    return np.array(out).T
