"""Fitting: known truths, brute-force likelihoods, intervals, and words for what cannot be told."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import binom, chi2, norm

from panel.analysis.mixed.cells import fold
from panel.analysis.mixed.laplace import evaluate
from panel.analysis.mixed.links import link_named
from panel.analysis.mixed.model import against_chance, fit, profile_interval
from panel.errors import BadInput
from panel.procedures.curves import CURVES


def votes(rng, link, listeners, excerpts, each, centre, listener_sd, excerpt_sd):
    """Cells of simulated votes: y of `each` for every listener and excerpt."""
    a = listener_sd * rng.standard_normal(listeners)
    b = excerpt_sd * rng.standard_normal(excerpts)
    listener = np.repeat(np.arange(listeners), excerpts)
    excerpt = np.tile(np.arange(excerpts), listeners)
    p = link_named(link).probability(centre + a[listener] + b[excerpt])
    y = rng.binomial(each, p)
    return y, np.full(y.size, each), {"listener": listener, "excerpt": excerpt}


@pytest.mark.parametrize("link", ["logit", "probit", "twoafc"])
def test_recovers_a_known_truth(link):
    rng = np.random.default_rng(11)
    y, n, groups = votes(rng, link, 300, 30, 4, 0.6, 0.7, 0.4)
    found = fit(y, np.ones(y.size), groups, link, n=n)
    assert found.converged
    assert abs(found.beta[0] - 0.6) < 4 * found.se[0]
    assert found.sd["listener"] == pytest.approx(0.7, abs=0.12)  # some 4 standard errors
    assert found.sd["excerpt"] == pytest.approx(0.4, abs=0.2)
    # With 30 excerpts the intercept is known to about √(0.4²/30 + 0.7²/300) at the least.
    assert found.se[0] > 0.6 * np.sqrt(
        found.sd["excerpt"] ** 2 / 30 + found.sd["listener"] ** 2 / 300
    )


@pytest.mark.parametrize("link", ["abx", "triangle", "tetrad"])
def test_recovers_a_sensitivity_on_the_scale_of_dprime(link):
    rng = np.random.default_rng(12)
    y, n, groups = votes(rng, link, 200, 6, 8, 1.6, 0.4, 0.2)
    found = fit(y, np.ones(y.size), groups, link, n=n)
    assert found.converged
    assert found.dprime(found.beta)[0] == pytest.approx(1.6, abs=4 * found.se[0])
    assert found.sd["listener"] == pytest.approx(0.4, abs=0.2)


def test_modes_shrink_towards_the_listeners_own_truth():
    rng = np.random.default_rng(13)
    a = rng.standard_normal(150)
    y = rng.binomial(60, norm.cdf(0.3 + a))
    found = fit(y, np.ones(150), {"listener": np.arange(150)}, "probit", n=60)
    errors = (found.beta[0] + found.modes["listener"] - 0.3 - a) / found.mode_sd["listener"]
    assert np.std(found.modes["listener"]) < np.std(norm.ppf((y + 0.5) / 61))
    assert np.mean(np.abs(errors) < 1.96) == pytest.approx(0.95, abs=0.06)
    assert found.levels["listener"].tolist() == list(range(150))


# The likelihood itself, by brute force ---------------------------------------------------------

TINY_Y = np.array([7, 4, 9, 3, 10, 6])
TINY_N = np.array([10, 9, 10, 8, 12, 10])


@pytest.mark.parametrize("link", ["logit", "probit", "twoafc", "abx", "triangle"])
def test_quadrature_is_the_integral_over_the_listeners(link):
    found = fit(TINY_Y, np.ones(6), {"listener": list("abcdef")}, link, n=TINY_N, nodes=41)
    u = np.linspace(-9.0, 9.0, 20_001)

    def exact(beta, sd):
        p = link_named(link).probability(beta + sd * u)
        joint = binom.pmf(TINY_Y[:, None], TINY_N[:, None], p) * norm.pdf(u)
        return -2.0 * np.sum(np.log(joint.sum(axis=1) * (u[1] - u[0])))

    best = exact(found.beta[0], found.sd["listener"])
    assert found.converged
    assert found.deviance == pytest.approx(best, abs=1e-5)
    for beta, sd in [(0.05, 0.0), (-0.05, 0.0), (0.0, 0.05)]:
        assert exact(found.beta[0] + beta, found.sd["listener"] + sd) > best - 1e-6


def crossed_integral(link, y, n, beta, listener_sd, excerpt_sd):
    """−2 log L of a full table y (listeners, 2 excerpts) by a grid over both effects."""
    grid = np.linspace(-7.0, 7.0, 141)
    u, weight = np.linspace(-7.0, 7.0, 281), 0.05
    eta = beta + excerpt_sd * grid[:, None] + listener_sd * u
    p = link_named(link).probability(eta)  # (excerpt effect, listener effect)
    total = np.zeros((grid.size, grid.size))
    for first, second in y:
        left = binom.pmf(first, n, p)
        right = binom.pmf(second, n, p) * norm.pdf(u) * weight
        total += np.log(np.maximum(left @ right.T, 1e-300))
    log_joint = total + norm.logpdf(grid)[:, None] + norm.logpdf(grid)
    return -2.0 * np.log(np.sum(np.exp(log_joint - log_joint.max())) * 0.1**2) - 2 * log_joint.max()


@pytest.mark.parametrize("link", ["probit", "triangle"])
def test_laplace_nears_the_integral_as_votes_grow(link):
    # At given parameters. The error falls about as 1/n (Tierney & Kadane 1986).
    errors = {"observed": [], "expected": []}
    for n in (20, 200):
        y = (np.array([[0.7, 0.8], [0.5, 0.6], [0.9, 0.8], [0.6, 0.8]]) * n).astype(int)
        groups = {"listener": np.repeat(np.arange(4), 2), "excerpt": np.tile([0, 1], 4)}
        beta, sds = (0.5, (0.6, 0.4)) if link == "probit" else (2.2, (0.8, 0.5))
        cells = fold(y.ravel(), np.ones(8), groups, np.full(8, n))
        exact = crossed_integral(link, y, n, beta, *sds)
        for information, found in errors.items():
            value = evaluate(cells, link_named(link), np.array([beta]), np.array(sds), information)
            found.append(abs(value.deviance - 2 * cells.constant - exact))
    for found in errors.values():
        assert found[0] < 0.2
        assert found[1] < 0.25 * found[0]


def test_folding_changes_nothing_but_the_coefficients():
    rng = np.random.default_rng(14)
    y, n, groups = votes(rng, "probit", 30, 4, 5, 0.5, 0.6, 0.3)
    rows = np.repeat(np.arange(y.size), 5)
    single = (np.tile(np.arange(5), y.size) < y[rows]).astype(int)
    by_row = {name: codes[rows] for name, codes in groups.items()}
    order = rng.permutation(rows.size)
    cells = fit(y, np.ones(y.size), groups, n=n)
    single_votes = fit(
        single[order], np.ones(rows.size), {name: c[order] for name, c in by_row.items()}
    )
    coefficients = np.sum(binom.logpmf(y, n, 0.5) + n * np.log(2))
    assert single_votes.cells == cells.cells == y.size
    assert single_votes.deviance - 2 * coefficients == pytest.approx(cells.deviance, abs=1e-6)
    assert single_votes.beta == pytest.approx(cells.beta, abs=1e-6)


@pytest.mark.parametrize("kind", ["words", "objects", "sparse numbers", "floats"])
def test_codes_may_be_anything_that_can_be_sorted(kind):
    rng = np.random.default_rng(15)
    y, n, groups = votes(rng, "probit", 20, 3, 6, 0.5, 0.6, 0.3)
    plain = fit(y, np.ones(y.size), groups, n=n)
    codes = {
        "words": np.array([f"listener {k}" for k in groups["listener"]]),
        "objects": np.array([f"listener {k}" for k in groups["listener"]], dtype=object),
        "sparse numbers": groups["listener"] * 1_000_003 - 7,
        "floats": groups["listener"] / 4,
    }[kind]
    named = fit(y, [[1.0]] * y.size, {"excerpt": groups["excerpt"], "listener": codes}, n=list(n))
    assert named.deviance == pytest.approx(plain.deviance, abs=1e-6)
    assert named.sd == pytest.approx(plain.sd, abs=1e-5)


def test_rows_without_votes_do_not_count():
    y, n = np.append(TINY_Y, 0), np.append(TINY_N, 0)
    X = np.append(np.ones(6), 5.0)
    with_empty = fit(y, X, {"listener": list("abcdefg")}, n=n)
    without = fit(TINY_Y, np.ones(6), {"listener": list("abcdef")}, n=TINY_N)
    assert with_empty.deviance == pytest.approx(without.deviance, abs=1e-9)
    assert with_empty.levels["listener"].tolist() == list("abcdef")


def test_an_offset_shifts_the_intercept():
    plain = fit(TINY_Y, np.ones(6), {"listener": list("abcdef")}, n=TINY_N)
    moved = fit(TINY_Y, np.ones(6), {"listener": list("abcdef")}, n=TINY_N, offset=np.full(6, 0.25))
    assert moved.beta[0] == pytest.approx(plain.beta[0] - 0.25, abs=1e-5)


# Ordinary results that look like failures ------------------------------------------------------


@pytest.mark.parametrize("link", ["probit", "abx", "triangle"])
def test_no_spread_is_a_result_and_said_in_words(link):
    y = np.full(12, 14)  # all listeners alike: less spread than chance gives
    found = fit(y, np.ones(12), {"listener": np.arange(12)}, link, n=20)
    alone = fit(y, np.ones(12), {}, link, n=20)
    assert found.converged
    assert found.sd == {"listener": 0.0}
    assert "spread of listener is estimated as zero" in found.message
    assert found.deviance == pytest.approx(alone.deviance, abs=1e-6)
    assert np.all(found.modes["listener"] == 0.0)
    assert np.isfinite(found.se[0])


@pytest.mark.parametrize("link", ["abx", "triangle"])
@pytest.mark.parametrize("share", [0.0, 0.2], ids=["none right", "under chance"])
def test_under_chance_nothing_is_heard(link, share):
    y = np.full(10, round(20 * share))
    found = fit(y, np.ones(10), {"listener": np.arange(10)}, link, n=20)
    assert found.converged
    assert found.dprime(found.beta)[0] == pytest.approx(0.0, abs=0.01)
    assert found.sd["listener"] == 0.0
    assert "Nothing is heard beyond chance" in found.message
    assert np.isnan(found.se[0])


def test_one_who_hears_among_many_who_do_not_sets_no_limit_to_the_spread():
    y = np.array([20] + [10] * 39)
    found = fit(y, np.ones(40), {"listener": np.arange(40)}, "abx", n=20)
    assert found.sd["listener"] <= 3.0
    assert found.dprime(found.beta)[0] < 0.3
    assert np.argmax(found.modes["listener"]) == 0


# Profile intervals -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("link", "right", "level"),
    [
        ("probit", 70, 0.95),
        ("logit", 90, 0.9),
        ("twoafc", 45, 0.95),
        ("abx", 70, 0.95),
        ("triangle", 52, 0.95),
        ("abx", 52, 0.95),
        ("triangle", 30, 0.95),
    ],
)
def test_profile_interval_without_groups_is_the_binomial_likelihood_interval(link, right, level):
    # Closed form: all p with 2 [ℓ(p̂) − ℓ(p)] under the χ² quantile, carried to the link's scale.
    n, rise = 100, chi2.ppf(level, 1)
    chance = CURVES[link].chance if link in ("abx", "triangle") else 0.0
    best = max(right / n, chance)
    top = binom.logpmf(right, n, best)

    def over(p):
        return 2 * (top - binom.logpmf(right, n, p)) - rise

    high = brentq(over, best, 1 - 1e-9)
    floor = max(chance, 1e-9)
    low = brentq(over, floor, best) if best > floor and over(floor) > 0 else None
    found = profile_interval([right], [1.0], {}, 0, level, link=link, n=[n])
    probability = link_named(link).probability
    assert found.converged
    assert probability(found.high) == pytest.approx(high, abs=1e-4)
    if low is None:
        assert found.dprime_low == 0.0
        assert "not ruled out" in found.message
    else:
        assert probability(found.low) == pytest.approx(low, abs=1e-4)


def test_profile_of_one_effect_holds_the_others_at_their_best():
    rng = np.random.default_rng(16)
    listener = np.tile(np.arange(40), 2)
    side = np.repeat([0.0, 1.0], 40)
    eta = 0.3 + 0.5 * side + 0.5 * rng.standard_normal(40)[listener]
    y = rng.binomial(12, norm.cdf(eta))
    X = np.column_stack([np.ones(80), side])
    given = {"groups": {"listener": listener}, "link": "probit", "n": np.full(80, 12)}
    best = fit(y, X, **given)
    interval = profile_interval(y, X, index=1, **given)
    assert interval.converged
    assert interval.estimate == pytest.approx(best.beta[1], abs=1e-4)
    # Holding the effect at an end costs exactly the quantile: refit with it as an offset.
    for end in (interval.low, interval.high):
        held = fit(y, X[:, 0], offset=end * side, **given)
        assert held.deviance - best.deviance == pytest.approx(chi2.ppf(0.95, 1), abs=5e-3)
    # Far from any floor the curvature tells nearly the same.
    half = 0.5 * (interval.high - interval.low)
    assert half == pytest.approx(1.96 * best.se[1], rel=0.05)


def test_against_chance_is_the_likelihood_ratio():
    n = np.full(8, 25)
    y = np.array([17, 14, 19, 12, 16, 20, 13, 15])
    ratio = against_chance(y, np.ones(8), {"listener": np.arange(8)}, link="abx", n=n)
    best = fit(y, np.ones(8), {"listener": np.arange(8)}, "abx", n=n)
    chance = -2 * np.sum(binom.logpmf(y, n, 0.5))
    assert ratio.freedom == 2
    assert ratio.statistic == pytest.approx(chance - best.deviance, abs=1e-6)
    assert ratio.p == pytest.approx(chi2.sf(ratio.statistic, 2), rel=1e-9)
    guess = against_chance(np.full(8, 12), np.ones(8), {"l": np.arange(8)}, link="abx", n=n)
    assert guess.statistic == 0.0
    assert guess.p == 1.0


# What cannot be answered -----------------------------------------------------------------------

GROUPS = {"listener": [0, 0, 1, 1, 2, 2]}
GOOD = {"y": [1, 0, 1, 1, 0, 1], "X": np.ones(6), "groups": GROUPS}
PURE = np.column_stack([np.ones(6), [0, 0, 0, 0, 1, 1]])
BAD = {
    "no votes": ({"y": [], "X": [], "groups": {}}, "no votes"),
    "only empty rows": ({"n": [0] * 6, "y": [0] * 6}, "every n is 0"),
    "X too short": ({"X": np.ones(5)}, "6 rows of votes"),
    "X of three dimensions": ({"X": np.ones((6, 1, 1))}, "6 rows of votes"),
    "X without a column": ({"X": np.ones((6, 0))}, "no column"),
    "X of words": ({"X": ["a"] * 6}, "must be numbers"),
    "X not finite": ({"X": [1, 1, np.nan, 1, 1, 1]}, "not finite"),
    "a column of zeros": ({"X": np.column_stack([np.ones(6), np.zeros(6)])}, "0 in all rows"),
    "dependent columns": ({"X": np.column_stack([np.ones(6), np.full(6, 2.0)])}, "depend on each"),
    "more columns than rows": ({"X": np.eye(6, 9) + 1.0}, "depend on each"),
    "n of another size": ({"n": [1, 1, 1]}, "must be equal"),
    "negative n": ({"n": [1, 1, 1, 1, -1, 1]}, "negative"),
    "negative y": ({"y": [1, -1, 1, 1, 0, 1]}, "negative"),
    "more right than votes": ({"y": [1, 0, 2, 1, 0, 1]}, "Row 2 has 2 right of 1"),
    "half a vote": ({"y": [0.5, 0, 1, 1, 0, 1]}, "whole numbers"),
    "y of two dimensions": ({"y": np.ones((6, 2))}, "one column"),
    "y missing": ({"y": [None, 0, 1, 1, 0, 1]}, "must be numbers|not finite"),
    "group too short": ({"groups": {"listener": [0, 1]}}, "6 rows of votes"),
    "group with a gap": ({"groups": {"listener": [0, 0, None, 1, 2, 2]}}, "without a code"),
    "group with NaN": ({"groups": {"listener": [0, 0, np.nan, 1, 2, 2]}}, "without a code"),
    "one listener": ({"groups": {"listener": [4] * 6}}, "only one listener"),
    "one excerpt": ({"groups": GROUPS | {"excerpt": ["e1"] * 6}}, "only one excerpt"),
    "one vote each": ({"groups": {"listener": range(6)}}, "one vote"),
    "all right": ({"y": np.ones(6)}, "All 6 answers are right"),
    "all right, even curve": ({"y": np.ones(6), "link": "abx"}, "All 6 answers are right"),
    "all wrong": ({"y": np.zeros(6)}, "All 6 answers are wrong"),
    "separated": ({"y": [1, 0, 0, 1, 1, 1], "X": PURE}, "separated"),
    "separated, even curve": ({"y": [1, 0, 0, 1, 1, 1], "X": PURE, "link": "abx"}, "separated"),
    "separated, all wrong": ({"y": [1, 0, 0, 1, 0, 0], "X": PURE}, "separated"),
    "unknown link": ({"link": "cauchit"}, "no link"),
    "unknown information": ({"information": "total"}, "no information"),
    "unknown sensitivity": ({"sensitivity": "abs"}, "no link"),
    "no node": ({"nodes": 0}, "quadrature nodes"),
    "half a node": ({"nodes": 2.5}, "quadrature nodes"),
    "offset of another size": ({"offset": [0.0]}, "offset"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_refused_in_words(case):
    change, words = BAD[case]
    with pytest.raises(BadInput, match=words):
        fit(**(GOOD | change))


def test_the_good_input_beside_the_bad_is_good():
    assert fit(**GOOD).beta.shape == (1,)


@pytest.mark.parametrize(
    ("change", "words"), [({"index": 3}, "no 3"), ({"level": 1.0}, "between 0 and 1")]
)
def test_profile_refuses_what_it_cannot_answer(change, words):
    with pytest.raises(BadInput, match=words):
        profile_interval(**(GOOD | change))


def test_all_wrong_in_one_condition_of_an_even_curve_is_nothing_heard_there():
    X = np.column_stack([np.repeat([1.0, 0.0], 10), np.repeat([0.0, 1.0], 10)])
    y = np.array([16] * 10 + [0] * 10)
    found = fit(y, X, {"listener": np.tile(np.arange(10), 2)}, "abx", n=20)
    assert found.converged
    assert found.dprime(found.beta)[1] == pytest.approx(0.0, abs=0.05)
    assert found.dprime(found.beta)[0] == pytest.approx(float(CURVES["abx"].dprime(0.8)), abs=0.05)
