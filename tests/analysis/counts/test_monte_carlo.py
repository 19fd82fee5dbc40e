"""p values by draws, against the exact law of what is drawn."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom

from panel.analysis.counts.monte_carlo import p_value

DRAWS = 9_999


def heads(seed: int, asked: list[int] | None = None) -> Callable[[int], NDArray[np.float64]]:
    rng = np.random.default_rng(seed)

    def draw(draws: int) -> NDArray[np.float64]:
        if asked is not None:
            asked.append(draws)
        return rng.binomial(100, 0.5, draws).astype(float)

    return draw


@pytest.mark.parametrize("observed", [50, 55, 58, 60, 65])
def test_p_is_the_tail_of_what_is_drawn(observed: int) -> None:
    # Oracle: SciPy's binomial tail; 4.5 standard errors of 9,999 draws.
    tail = binom.sf(observed - 1, 100, 0.5)
    found = p_value(heads(1), float(observed), DRAWS)
    assert found == pytest.approx(tail, abs=4.5 * np.sqrt(tail * (1 - tail) / DRAWS) + 1e-4)


def test_what_no_draw_reaches_is_not_given_a_p_of_zero() -> None:
    assert p_value(heads(1), 101.0, DRAWS) == 1 / (1 + DRAWS)


def test_values_that_differ_by_rounding_count_as_equal() -> None:
    third = np.full(DRAWS, 1 / 3)
    assert p_value(lambda draws: third[:draws], 1 - 2 / 3, DRAWS) == 1.0


@pytest.mark.parametrize("observed", range(50, 66))
def test_a_decision_settled_early_is_the_decision_of_all_draws(observed: int) -> None:
    whole, asked = p_value(heads(2), float(observed), DRAWS), list[int]()
    settled = p_value(heads(2, asked), float(observed), DRAWS, settled_above=0.05)
    if whole <= 0.05:
        assert settled == whole
        assert sum(asked) == DRAWS
    else:
        assert settled == 1.0
        assert sum(asked) < DRAWS
