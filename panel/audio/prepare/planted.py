"""Planted checks: a known change on an existing clip, so that listening itself is tested."""

import numpy as np

from panel.audio.loudness import true_peak_db
from panel.audio.sound import Audio
from panel.errors import BadInput

SHELF_HZ = 3_000.0
MOST_DB = 24.0
PEAK_LIMIT_DB = -1.0


def change(
    samples: Audio, rate: int, kind: str, amount: float, *, corner_hz: float = SHELF_HZ
) -> Audio:
    """The clip (frames, channels) changed by a known amount, and nothing corrected after it.

    kind "level": `amount` dB on everything. kind "shelf": `amount` dB well above `corner_hz`
    (half of it there). Raises BadInput when the true peak would pass -1 dBTP: prepare the
    excerpt with that much headroom, or make both clips with `pair`.
    """
    out = _changed(samples, rate, kind, amount, corner_hz)
    peak = true_peak_db(out, rate)
    if amount > 0 and peak > PEAK_LIMIT_DB + 0.01:
        raise BadInput(
            f"A planted change of {amount:+g} dB would bring the true peak to {peak:.1f} dBTP.",
            hint=f"Prepare the excerpt with {amount:g} dB of headroom, or plant a smaller change.",
        )
    return out


def pair(
    samples: Audio, rate: int, kind: str, amount: float, *, corner_hz: float = SHELF_HZ
) -> tuple[Audio, Audio]:
    """(unchanged, changed), both lowered alike where the change would pass -1 dBTP."""
    out = _changed(samples, rate, kind, amount, corner_hz)
    over = max(true_peak_db(out, rate), true_peak_db(samples, rate)) - PEAK_LIMIT_DB
    gain = 10 ** (-max(over, 0.0) / 20)
    return samples * gain, out * gain


def high_shelf(rate: int, amount: float, corner_hz: float) -> tuple[list[float], list[float]]:
    """Numerator and denominator of a second-order high shelf, slope 1.

    Source: W3C Working Group Note "Audio EQ Cookbook" (R. Bristow-Johnson), highShelf.
    """
    A = 10 ** (amount / 40)
    w = 2 * np.pi * corner_hz / rate
    c, alpha = float(np.cos(w)), float(np.sin(w)) / 2 * np.sqrt(2.0)
    k = 2 * np.sqrt(A) * alpha
    b = [A * ((A + 1) + (A - 1) * c + k), -2 * A * ((A - 1) + (A + 1) * c),
         A * ((A + 1) + (A - 1) * c - k)]  # fmt: skip
    a = [(A + 1) - (A - 1) * c + k, 2 * ((A - 1) - (A + 1) * c), (A + 1) - (A - 1) * c - k]
    return [x / a[0] for x in b], [x / a[0] for x in a]


def _changed(samples: Audio, rate: int, kind: str, amount: float, corner_hz: float) -> Audio:
    if not np.isfinite(amount) or not 0 < abs(amount) <= MOST_DB:
        raise BadInput(
            f"A planted change of {amount} dB makes no sense.",
            hint=f"Choose one up to {MOST_DB:g} dB, for example 6.",
        )
    if kind == "level":
        return samples * 10 ** (amount / 20)
    if kind == "shelf":
        if not 20 <= corner_hz < 0.45 * rate:
            raise BadInput(
                f"A shelf at {corner_hz:g} Hz does not fit a rate of {rate:,} Hz.",
                hint="Choose a corner between 20 Hz and a third of the sample rate.",
            )
        from scipy.signal import lfilter

        b, a = high_shelf(rate, amount, corner_hz)
        out: Audio = lfilter(b, a, samples, axis=0)
        return out
    raise BadInput(f'There is no planted change "{kind}".', hint='Choose "level" or "shelf".')
