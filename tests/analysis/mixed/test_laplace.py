"""Laplace and quadrature: gradients against differences, values against dense brute force."""

import numpy as np
import pytest
from scipy.optimize import minimize

from panel.analysis.mixed import laplace as mixed_laplace
from panel.analysis.mixed import quadrature
from panel.analysis.mixed.arrow import factorise, gram, times
from panel.analysis.mixed.cells import fold
from panel.analysis.mixed.links import link_named

ROWS = 300
_RNG = np.random.default_rng(41)
LISTENER = _RNG.integers(0, 12, ROWS)
EXCERPT = _RNG.integers(0, 4, ROWS)
TAKE = _RNG.integers(0, 3, ROWS)
SIDE = _RNG.integers(0, 2, ROWS)
X = np.column_stack([np.ones(ROWS), SIDE])
Y = (_RNG.random(ROWS) < 0.7).astype(int)

LAYOUTS = {
    "one group": {"listener": LISTENER},
    "three crossed": {"excerpt": EXCERPT, "listener": LISTENER, "take": TAKE},
    "listener by contrast nested in listener": {
        "listener": LISTENER,
        "excerpt": EXCERPT,
        "listener by contrast": LISTENER * 2 + SIDE,
    },
    "none": {},
}
LINKS = [
    ("logit", "floor"),
    ("probit", "floor"),
    ("twoafc", "floor"),
    ("threeafc", "floor"),
    ("abx", "floor"),
    ("triangle", "floor"),
    ("triangle", "log"),
]
BETA, DEVIATIONS = np.array([0.8, 0.3]), np.array([0.7, 0.4, 0.3])


def differences(function, at, h=1e-5):
    steps = h * np.eye(at.size)
    return np.array([(function(at + e) - function(at - e)) / (2 * h) for e in steps])


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("key", LINKS, ids=["-".join(key) for key in LINKS])
@pytest.mark.parametrize("information", ["observed", "expected"])
def test_laplace_gradient_agrees_with_differences(layout, key, information):
    cells, link = fold(Y, X, LAYOUTS[layout]), link_named(*key)

    def value(theta):
        return mixed_laplace.evaluate(cells, link, theta[:2], theta[2:], information)

    theta = np.concatenate([BETA, DEVIATIONS[: len(LAYOUTS[layout])]])
    here = value(theta)
    assert here.mode.settled
    numeric = differences(lambda at: value(at).deviance, theta)
    assert here.gradient == pytest.approx(numeric, rel=1e-5, abs=2e-4)


@pytest.mark.parametrize("key", LINKS, ids=["-".join(key) for key in LINKS])
@pytest.mark.parametrize("information", ["observed", "expected"])
@pytest.mark.parametrize("nodes", [1, 2, 9])
def test_quadrature_gradient_agrees_with_differences(key, information, nodes):
    cells, link = fold(Y, X, LAYOUTS["one group"]), link_named(*key)

    def value(theta):
        return quadrature.evaluate(cells, link, theta[:2], theta[2:], information, nodes)

    theta = np.concatenate([BETA, DEVIATIONS[:1]])
    numeric = differences(lambda at: value(at).deviance, theta)
    assert value(theta).gradient == pytest.approx(numeric, rel=1e-5, abs=2e-4)


def test_one_node_is_laplace():
    cells, link = fold(Y, X, LAYOUTS["one group"]), link_named("probit")
    one = quadrature.evaluate(cells, link, BETA, DEVIATIONS[:1], "observed", 1)
    laplace = mixed_laplace.evaluate(cells, link, BETA, DEVIATIONS[:1], "observed")
    assert one.deviance == pytest.approx(laplace.deviance, abs=1e-9)
    assert one.gradient == pytest.approx(laplace.gradient, abs=1e-7)


def dense(groups, link, beta, deviations, information):
    """Laplace's approximation with a dense design of the rows, a general optimiser for the mode."""
    blocks = []
    for codes, deviation in zip(groups.values(), deviations, strict=True):
        _, codes = np.unique(codes, return_inverse=True)
        blocks.append(deviation * np.eye(codes.max() + 1)[codes])
    Z = np.hstack(blocks)

    def joint(u):
        terms = link.terms(X @ beta + Z @ u)
        slope = Y * terms.a - (1 - Y) * terms.b
        height = Y @ terms.log_right + (1 - Y) @ terms.log_wrong - 0.5 * u @ u
        return -height, u - Z.T @ slope

    best = minimize(joint, np.zeros(Z.shape[1]), jac=True, method="BFGS", options={"gtol": 1e-9})
    terms = link.terms(X @ beta + Z @ best.x)
    if information == "observed":
        weights = (1 - Y) * terms.b1 - Y * terms.a1
    else:
        weights = terms.a * terms.b
    curvature = np.eye(Z.shape[1]) + Z.T @ (weights[:, None] * Z)
    return 2.0 * best.fun + np.linalg.slogdet(curvature)[1]


@pytest.mark.parametrize("layout", [name for name in LAYOUTS if name != "none"])
@pytest.mark.parametrize("name", ["probit", "triangle"])
@pytest.mark.parametrize("information", ["observed", "expected"])
def test_the_arrow_gives_what_dense_algebra_gives(layout, name, information):
    groups, link = LAYOUTS[layout], link_named(name)
    deviations = DEVIATIONS[: len(groups)]
    value = mixed_laplace.evaluate(fold(Y, X, groups), link, BETA, deviations, information)
    expected = dense(groups, link, BETA, deviations, information)
    assert value.deviance == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("layout", [name for name in LAYOUTS if name != "none"])
def test_the_arrow_solves_and_inverts(layout):
    cells = fold(Y, X, LAYOUTS[layout])
    deviations = DEVIATIONS[: len(cells.factors)]
    rng = np.random.default_rng(7)
    weights = rng.uniform(0.1, 2.0, cells.y.size)
    Z = np.zeros((cells.y.size, cells.columns))
    for factor, deviation in zip(cells.factors, deviations, strict=True):
        Z[np.arange(cells.y.size), factor.column] += deviation
    full = np.eye(cells.columns) + Z.T @ (weights[:, None] * Z)
    arrow = factorise(cells, weights, deviations)
    inverse = np.linalg.inv(full)
    right = rng.standard_normal(cells.columns)
    assert arrow.log_determinant == pytest.approx(np.linalg.slogdet(full)[1], abs=1e-10)
    assert arrow.solve(right) == pytest.approx(inverse @ right, abs=1e-10)
    assert arrow.diagonal() == pytest.approx(np.diagonal(inverse), abs=1e-12)
    for (i, j), entries in arrow.selected(cells).items():
        one, other = cells.factors[i].column, cells.factors[j].column
        assert entries == pytest.approx(inverse[one, other], abs=1e-12)
    assert factorise(cells, -5.0 * weights, deviations) is None


@pytest.mark.parametrize(("rows", "width"), [(10, 3), (30_000, 4), (5_000, 20), (50, 200)])
def test_sliced_products_are_products(rows, width):
    rng = np.random.default_rng(1)
    tall, other = rng.standard_normal((2, rows, width))
    square = rng.standard_normal((width, width))
    assert gram(tall, other) == pytest.approx(tall.T @ other, abs=1e-8)
    assert times(tall, square) == pytest.approx(tall @ square, abs=1e-10)


def test_a_warm_start_finds_the_same_mode():
    cells, link = fold(Y, X, LAYOUTS["three crossed"]), link_named("abx")
    first = mixed_laplace.evaluate(cells, link, BETA, DEVIATIONS, "expected")
    moved = BETA + 0.2, np.array([-0.6, 0.5, 0.0])
    cold = mixed_laplace.evaluate(cells, link, *moved, "expected")
    warm = mixed_laplace.evaluate(cells, link, *moved, "expected", first.mode)
    assert warm.deviance == pytest.approx(cold.deviance, abs=1e-8)
    assert warm.gradient == pytest.approx(cold.gradient, abs=1e-5)


def test_the_deviance_does_not_know_the_sign_of_a_spread():
    cells, link = fold(Y, X, LAYOUTS["three crossed"]), link_named("probit")
    plus = mixed_laplace.evaluate(cells, link, BETA, DEVIATIONS, "observed")
    minus = mixed_laplace.evaluate(cells, link, BETA, -DEVIATIONS, "observed")
    assert minus.deviance == pytest.approx(plus.deviance, abs=1e-9)
    assert minus.gradient[2:] == pytest.approx(-plus.gradient[2:], abs=1e-6)
