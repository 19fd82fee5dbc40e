"""p values from draws under the null hypothesis."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

_AT_ONCE = 250


def p_value(
    draw: Callable[[int], NDArray[np.float64]],
    observed: float,
    draws: int,
    *,
    settled_above: float | None = None,
) -> float:
    """(1 + how many of `draws` reach `observed`) / (1 + `draws`): never too small (Davison &
    Hinkley 1997, *Bootstrap Methods and their Application*, p. 141).

    `draw` gives so many statistics. Values that differ by rounding only count as equal. With
    `settled_above`, drawing ends once p is sure to lie above it, and p is given as 1: enough for a
    decision at that level.
    """
    bar = observed - 1e-9 * max(1.0, abs(observed))
    reached = 0
    for start in range(0, draws, _AT_ONCE):
        reached += int(np.count_nonzero(draw(min(_AT_ONCE, draws - start)) >= bar))
        if settled_above is not None and (1 + reached) / (1 + draws) > settled_above:
            return 1.0
    return (1 + reached) / (1 + draws)
