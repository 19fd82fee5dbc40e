"""The delay of one take against another from all of both at once, every frequency counting alike.

For sound such as a sweep, in which a moment holds a single frequency: there a low cut's phase
looks like a delay of its own in each stretch, and only the whole shows where the takes lie.
"""

import numpy as np
from numpy.typing import NDArray

from panel.audio.warp import at_positions

Floats = NDArray[np.float64]
Low = NDArray[np.float32]

LONGEST_S = 120.0
_FLOOR = 1e-4  # of the mean power: what lies below counts for less, for it is mostly noise


def delay(a: Low, b: Low, rate: float) -> float:
    """How many samples later `b` is, of both (frames,) up to two minutes; either polarity.

    The highest of the cross-correlation divided by both magnitudes (generalised correlation with
    the phase transform; Knapp & Carter 1976, IEEE Trans. ASSP 24, from memory).
    """
    from scipy.fft import irfft, next_fast_len, rfft

    a, b = (x[: round(LONGEST_S * rate)] for x in (a, b))
    size = int(next_fast_len(len(a) + len(b), real=True))
    p, q = rfft(a - a.mean(), size), rfft(b - b.mean(), size)
    cross = np.conj(p) * q
    level = np.abs(cross)
    cross /= level + _FLOOR * float(level.mean())
    product = irfft(cross, size)
    peak = int(np.abs(product).argmax())
    lag = peak if peak < len(b) else peak - size
    near: Floats = np.roll(product, 80 - peak)[:160, None] * np.float64(np.sign(product[peak]))
    fine = at_positions(near, 79.0, 1 / 16, 33)[:, 0]
    return lag - 1.0 + int(fine.argmax()) / 16
