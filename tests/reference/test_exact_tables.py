"""Exact binomial tests against the standards' tables and published examples.

Tables: FAO document V7180E, Appendix A (triangle) and ISO 10399, Table A.1 (duo-trio) as recomputed
and compared cell by cell with the printed ones; ISO 4120 prints the same for its n. Sample sizes:
ISO 4120 Table A.3 and ASTM E1885 (from memory), recomputed. Byer & Abrams 1953 as quoted in a
textbook exercise.
"""

import math

import pytest

from panel.analysis.counts import exact
from panel.procedures.catalogue import PROCEDURES

LEVELS = (0.10, 0.05, 0.01, 0.001)
TRIANGLE = {
    12: (7, 8, 9, 10), 16: (9, 9, 11, 12), 20: (10, 11, 13, 14), 24: (12, 13, 15, 16),
    30: (14, 15, 17, 19), 36: (17, 18, 20, 22), 48: (21, 22, 25, 27), 60: (26, 27, 30, 33),
    72: (30, 32, 34, 38), 96: (39, 41, 44, 48),
}  # fmt: skip
ONE_HALF = {
    12: (9, 10, 11, 12), 16: (12, 12, 14, 15), 20: (14, 15, 16, 18), 24: (16, 17, 19, 20),
    30: (20, 20, 22, 24), 36: (23, 24, 26, 28), 48: (29, 31, 33, 36), 60: (36, 37, 40, 43),
    72: (42, 44, 47, 50), 96: (55, 57, 60, 64), 100: (57, 59, 63, 66),
}  # fmt: skip
TWO_SIDED = {
    12: (10, 10, 11), 16: (12, 13, 14), 20: (15, 15, 17), 24: (17, 18, 19), 30: (20, 21, 23),
    36: (24, 25, 27), 48: (31, 32, 34), 60: (37, 39, 41),
}  # fmt: skip


@pytest.mark.parametrize("n", TRIANGLE)
def test_triangle_critical_counts(n):
    assert tuple(exact.critical(n, 1 / 3, a) for a in LEVELS) == TRIANGLE[n]


@pytest.mark.parametrize("n", ONE_HALF)
def test_one_half_critical_counts(n):
    assert tuple(exact.critical(n, 0.5, a) for a in LEVELS) == ONE_HALF[n]


@pytest.mark.parametrize("n", ONE_HALF)
def test_duo_trio_rejects_at_the_counts_that_iso_10399_prints(n):
    """ISO 10399, Table A.1, through the procedure's own chance and its p value."""
    chance = PROCEDURES["duo_trio"].chance
    for level, least in zip(LEVELS, ONE_HALF[n], strict=True):
        assert exact.p_greater(least, n, chance) <= level < exact.p_greater(least - 1, n, chance)


@pytest.mark.parametrize("n", TWO_SIDED)
def test_two_sided_critical_counts(n):
    assert tuple(exact.critical_two_sided(n, a) for a in LEVELS[:3]) == TWO_SIDED[n]


def test_too_few_votes_can_reject_nothing():
    assert exact.critical(4, 0.5, 0.05) is None
    assert exact.critical(5, 0.5, 0.05) == 5  # 1/32


@pytest.mark.parametrize(
    ("right", "n", "p"),
    [
        (8, 10, 0.0547), (9, 10, 0.0107), (12, 16, 0.0384), (14, 20, 0.0577), (15, 20, 0.0207),
        (17, 24, 0.0320), (18, 24, 0.0113),
    ],
)  # fmt: skip
def test_p_values_at_one_half(right, n, p):
    assert exact.p_greater(right, n, 0.5) == pytest.approx(p, abs=5e-5)


def test_published_triangle_examples():
    assert exact.p_greater(25, 50, 1 / 3) == pytest.approx(0.01083, abs=5e-6)  # Byer & Abrams
    assert exact.p_greater(17, 35, 1 / 3) == pytest.approx(0.0442, abs=5e-5)
    assert exact.power(35, 1 / 3, 1 / 3 + 2 / 3 / 3, 0.05) == pytest.approx(0.8417, abs=5e-5)


@pytest.mark.parametrize("chance", [1 / 3, 0.5])
@pytest.mark.parametrize(("right", "n"), [(0, 7), (3, 7), (7, 7), (50, 120), (0, 0)])
def test_tails_are_the_sums_they_stand_for(right, n, chance):
    terms = [math.comb(n, k) * chance**k * (1 - chance) ** (n - k) for k in range(n + 1)]
    assert exact.p_greater(right, n, chance) == pytest.approx(sum(terms[right:]), rel=1e-10)
    assert exact.p_less(right, n, chance) == pytest.approx(sum(terms[: right + 1]), rel=1e-10)


def test_sign_test_is_twice_the_tail():
    assert exact.p_two_sided(15, 20) == pytest.approx(2 * exact.p_greater(15, 20, 0.5))
    assert exact.p_two_sided(5, 20) == exact.p_two_sided(15, 20)
    assert exact.p_two_sided(10, 20) == 1.0


@pytest.mark.parametrize(
    ("chance", "by_share"),
    [
        (1 / 3, {0.5: (16, 20, 23), 0.4: (23, 30, 40), 0.3: (40, 53, 66), 0.2: (87, 117, 147)}),
        (0.5, {0.5: (23, 33, 42), 0.4: (37, 53, 67), 0.3: (69, 93, 119), 0.2: (158, 213, 268)}),
    ],
    ids=["triangle", "duo-trio"],
)
def test_sample_sizes(chance, by_share):
    for share, sizes in by_share.items():
        p = chance + (1 - chance) * share
        found = tuple(exact.least_n(chance, p, 0.05, w) for w in (0.80, 0.90, 0.95))
        assert found == sizes


def test_power_is_a_saw_tooth():
    p = 1 / 3 + 2 / 3 * 0.3
    assert exact.power(53, 1 / 3, p, 0.05) == pytest.approx(0.905, abs=5e-4)
    assert exact.power(54, 1 / 3, p, 0.05) == pytest.approx(0.879, abs=5e-4)


@pytest.mark.parametrize(
    ("n", "chance", "most"),
    [
        (60, 1 / 3, (17, 21, 25, 29, 33)), (72, 1 / 3, (21, 26, 30, 35, 40)),
        (96, 1 / 3, (30, 36, 42, 49, 55)), (60, 0.5, (26, 29, 32, 35, 38)),
        (72, 0.5, (32, 35, 39, 43, 47)), (96, 0.5, (44, 49, 54, 59, 64)),
    ],
)  # fmt: skip
def test_similarity_counts(n, chance, most):
    shares = (0.1, 0.2, 0.3, 0.4, 0.5)
    assert tuple(exact.largest_below_limit(n, chance, s) for s in shares) == most


@pytest.mark.parametrize(
    ("right", "n", "chance", "bound"),
    [
        (10, 20, 0.5, 0.396), (30, 60, 0.5, 0.225), (50, 100, 0.5, 0.173), (100, 200, 0.5, 0.121),
        (8, 16, 0.5, 0.443), (10, 30, 1 / 3, 0.249), (20, 60, 1 / 3, 0.170),
        (40, 120, 1 / 3, 0.116),
    ],
)  # fmt: skip
def test_upper_bounds_at_chance(right, n, chance, bound):
    assert exact.share_upper(right, n, chance) == pytest.approx(bound, abs=5e-4)


def test_clopper_pearson_interval():
    # VALUES: n = 20 and 100 at 70 %, two-sided 95 %.
    assert exact.interval(14, 20) == pytest.approx((0.457, 0.881), abs=5e-4)
    assert exact.interval(70, 100) == pytest.approx((0.600, 0.788), abs=5e-4)
    # Closed form at the ends: 1 − (α/2)^(1/n).
    assert exact.interval(0, 10) == pytest.approx((0.0, 1 - 0.025**0.1))
    assert exact.interval(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize("count", [(-1, 5), (6, 5)])
def test_impossible_counts_are_refused(count):
    with pytest.raises(ValueError, match="no possible count"):
        exact.p_greater(*count, 0.5)
