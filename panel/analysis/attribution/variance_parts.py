"""Interval of an estimate whose variance has several parts, as of takes and of listeners."""

import math
from collections.abc import Sequence

from scipy.stats import t as student

Part = tuple[float, float]


def interval(
    estimate: float, parts: Sequence[Part], confidence: float
) -> tuple[float, float] | None:
    """Student's t about `estimate`; `parts`: each part's variance and degrees of freedom.

    Degrees of freedom of the sum after Satterthwaite (1946, Biometrics Bulletin 2, 110–114). None
    where nothing varies, as then nothing tells how far off the estimate is.
    """
    variance = sum(part for part, _ in parts)
    if variance <= 0:
        return None
    freedom = variance**2 / sum(part**2 / own for part, own in parts)
    reach = float(student.ppf(0.5 + confidence / 2, freedom)) * math.sqrt(variance)
    return estimate - reach, estimate + reach
