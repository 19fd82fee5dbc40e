"""The mixture martingale against closed forms and computed check values (VALUES, section 7)."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from panel.analysis.counts import anytime, exact


@pytest.mark.parametrize(
    ("right", "n", "value"),
    [
        (7, 7, 255 / 8), (6, 6, 18.1429), (10, 10, 186.0909), (9, 10, 18.5091), (16, 20, 20.5377),
        (15, 20, 6.3555), (36, 50, 47.0375), (64, 100, 12.6635), (66, 100, 43.1970),
    ],
)  # fmt: skip
def test_check_values(right, n, value):
    assert anytime.e_value(right, n, 0.5) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize(("right", "n", "chance"), [(7, 10, 0.5), (2, 9, 1 / 3), (0, 5, 0.5)])
def test_value_is_the_integral_it_stands_for(right, n, chance):
    """E = ∫ likelihood(p) dπ(p) / likelihood(g), π uniform on (g, 1)."""
    one, _ = quad(lambda p: p**right * (1 - p) ** (n - right), chance, 1)
    two, _ = quad(lambda p: p**right * (1 - p) ** (n - right), 0, 1)
    guess = chance**right * (1 - chance) ** (n - right)
    assert anytime.e_value(right, n, chance) == pytest.approx(one / (1 - chance) / guess, rel=1e-8)
    assert anytime.e_two_sided(right, n, chance) == pytest.approx(two / guess, rel=1e-8)


HALF = {10: 10, 20: 16, 24: 19, 30: 23, 40: 29, 50: 36, 60: 42, 80: 54, 100: 65, 120: 77, 200: 122}
THIRD = {4: 4, 10: 8, 20: 13, 30: 18, 60: 32, 100: 49}


@pytest.mark.parametrize(
    ("chance", "n", "least"),
    [(0.5, n, x) for n, x in HALF.items()] + [(1 / 3, n, x) for n, x in THIRD.items()],
)
def test_least_count_that_rejects(chance, n, least):
    found = next(x for x in range(n + 1) if anytime.e_value(x, n, chance) >= 20)
    assert found == least
    assert found >= (exact.critical(n, chance, 0.05) or n)  # looking early has its price


def test_confidence_sequence_widths():
    assert anytime.confidence_sequence(14, 20) == pytest.approx((0.373, 0.925), abs=5e-4)
    assert anytime.confidence_sequence(70, 100) == pytest.approx((0.543, 0.831), abs=5e-4)


@pytest.mark.parametrize(("right", "n"), [(0, 0), (0, 5), (5, 5), (0, 400), (400, 400)])
def test_confidence_sequence_at_its_ends(right, n):
    low, high = anytime.confidence_sequence(right, n)
    share = right / n if n else 0.5
    assert 0 <= low <= share <= high <= 1


def test_value_is_a_martingale_under_guessing():
    """The mean of the next value is the present one: E_n = g E_{n+1}(x+1) + (1−g) E_{n+1}(x)."""
    for chance in (0.5, 1 / 3):
        for n, x in [(0, 0), (5, 2), (30, 21), (80, 10)]:
            ahead = chance * anytime.e_value(x + 1, n + 1, chance) + (1 - chance) * anytime.e_value(
                x, n + 1, chance
            )
            assert ahead == pytest.approx(anytime.e_value(x, n, chance), rel=1e-9)


def test_type_one_error_at_every_look():
    """VALUES: .029 by n=100, .035 by n=500, one-sided uniform (20 000 runs there; 3 000 here)."""
    rng = np.random.default_rng(7)
    x = np.cumsum(rng.random((3_000, 500)) < 0.5, axis=1)
    n = np.arange(1, 501)
    path = anytime.log_e_values(x, n, 0.5) >= np.log(20)
    assert path[:, :100].any(axis=1).mean() == pytest.approx(0.029, abs=0.010)
    assert path.any(axis=1).mean() == pytest.approx(0.035, abs=0.011)
    two = anytime.log_e_values_two_sided(x, n) >= np.log(20)
    assert two.any(axis=1).mean() == pytest.approx(0.034, abs=0.011)


def test_mean_votes_to_reject():
    """VALUES: at p = .75 a mean of 27.8 votes, median 23."""
    rng = np.random.default_rng(8)
    x = np.cumsum(rng.random((3_000, 600)) < 0.75, axis=1)
    crossed = anytime.log_e_values(x, np.arange(1, 601), 0.5) >= np.log(20)
    assert crossed.any(axis=1).all()
    votes = 1 + crossed.argmax(axis=1)
    assert votes.mean() == pytest.approx(27.8, abs=1.2)
    assert np.median(votes) == pytest.approx(23, abs=1)


def test_p_only_ever_falls():
    rng = np.random.default_rng(9)
    y = (rng.random(200) < 0.6).astype(int).tolist()
    for p in (lambda v: anytime.p_anytime(v, 0.5), anytime.p_anytime_two_sided):
        path = [p(y[:n]) for n in range(0, 200, 10)]
        assert path[0] == 1.0
        assert all(b <= a for a, b in pairwise(path))
    assert anytime.p_anytime([1] * 7, 0.5) == pytest.approx(8 / 255)


def test_average_over_streams_keeps_its_error_rate():
    """Three streams of fair coins together: ever over 20 in at most 5 %."""
    rng = np.random.default_rng(10)
    hits = [
        anytime.p_anytime_of_several(rng.random(150) < 0.5, rng.integers(0, 3, 150))[1] <= 0.05
        for _ in range(600)
    ]
    assert np.mean(hits) <= 0.05
    _, p = anytime.p_anytime_of_several([1] * 20 + [0] * 20, [0] * 20 + [1] * 20)
    assert p < 0.001  # opposite directions in two streams
