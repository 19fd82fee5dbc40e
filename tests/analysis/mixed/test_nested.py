"""Quadrature over listeners inside Laplace over excerpts: against the integral itself."""

import numpy as np
import pytest
from numpy.polynomial.hermite_e import hermegauss

from panel.analysis.mixed import laplace, nested
from panel.analysis.mixed.cells import fold
from panel.analysis.mixed.links import link_named
from panel.analysis.mixed.model import fit, profile_interval
from panel.errors import BadInput


def integral(y, n, listener, excerpt, link, beta, sd_listener, sd_excerpt):
    """−2 log L by brute force: a grid over the excerpts' effects times one over each listener's."""
    z, w = hermegauss(41)
    w = w / w.sum()
    excerpts = int(excerpt.max()) + 1
    grid, masses = hermegauss(21)
    masses = masses / masses.sum()
    v = np.stack([g.ravel() for g in np.meshgrid(*[grid] * excerpts, indexing="ij")], axis=1)
    mass = np.prod(np.stack([g.ravel() for g in np.meshgrid(*[masses] * excerpts)], axis=1), axis=1)
    logs = np.zeros(len(v))
    for one in range(int(listener.max()) + 1):
        mine = listener == one
        eta = beta + sd_listener * z[:, None] + sd_excerpt * v[:, excerpt[mine]][:, None, :]
        p = link.probability(eta)
        logs += np.log(np.prod(p ** y[mine] * (1 - p) ** (n[mine] - y[mine]), axis=2) @ w)
    top = logs.max()
    return -2 * (top + np.log(mass @ np.exp(logs - top)))


def tiny(link, listeners, votes, seed=1):
    rng = np.random.default_rng(seed)
    listener, excerpt = np.repeat(np.arange(listeners), 2), np.tile([0, 1], listeners)
    n = np.full(2 * listeners, votes)
    heard = 1.5 + 0.5 * rng.standard_normal(listeners)[listener]
    return rng.binomial(n, link.probability(heard)), n, listener, excerpt


@pytest.mark.parametrize("name", ["abx", "triangle", "probit"])
@pytest.mark.parametrize(("listeners", "votes"), [(6, 2), (30, 2), (30, 6)])
@pytest.mark.parametrize("at", [(1.5, 0.6, 0.3), (0.8, 1.0, 0.6)])
def test_it_is_near_the_integral_where_laplace_is_not(name, listeners, votes, at):
    link = link_named(name)
    y, n, listener, excerpt = tiny(link, listeners, votes)
    cells = fold(y, np.ones(y.size), {"listener": listener, "excerpt": excerpt}, n)
    exact = integral(y, n, listener, excerpt, link, *at)
    beta, deviations = np.array(at[:1]), np.array(at[1:])
    found = nested.evaluate(cells, link, beta, deviations, "expected", 25)
    plain = laplace.evaluate(cells, link, beta, deviations, "expected")
    assert found.deviance == pytest.approx(exact, abs=0.15)
    assert abs(found.deviance - exact) < 0.2 * abs(plain.deviance - exact)


def test_without_a_spread_of_excerpts_it_is_the_integral():
    """Then listeners alone are integrated, and 25 nodes do that to many digits."""
    link = link_named("abx")
    y, n, listener, excerpt = tiny(link, 12, 4)
    cells = fold(y, np.ones(y.size), {"listener": listener, "excerpt": excerpt}, n)
    exact = integral(y, n, listener, excerpt, link, 1.4, 0.5, 0.0)
    found = nested.evaluate(cells, link, np.array([1.4]), np.array([0.5, 0.0]), "expected", 25)
    assert found.deviance == pytest.approx(exact, abs=1e-4)


@pytest.mark.parametrize("name", ["abx", "triangle", "probit"])
def test_its_gradient_is_that_of_its_deviance(name):
    """Two crossed groups beside the listeners, and a covariate; differences of the deviance."""
    link, rng = link_named(name), np.random.default_rng(3)
    listener, excerpt = np.repeat(np.arange(12), 12), np.tile(np.arange(3), 48)
    pair = rng.integers(0, 4, 144)
    x = np.column_stack([np.ones(144), rng.standard_normal(144).round(1)])
    heard = link.probability(x @ [1.3, 0.3] + 0.6 * rng.standard_normal(12)[listener])
    y = (rng.random(144) < heard).astype(int)
    cells = fold(y, x, {"pair": pair, "listener": listener, "excerpt": excerpt})
    theta = np.array([1.2, 0.25, 0.35, 0.6, 0.4])

    def value(at):
        return nested.evaluate(cells, link, at[:2], at[2:], "observed", 41)

    steps = 1e-5 * np.eye(5)
    slopes = [(value(theta + s).deviance - value(theta - s).deviance) / 2e-5 for s in steps]
    assert value(theta).gradient == pytest.approx(slopes, abs=1e-3)


def test_few_votes_a_listener_give_an_unbiased_share():
    """40 listeners × 12 ABX votes over three excerpts, log-normal listeners about d′ = 1.2.

    Laplace over all gives some .01 too much; here the panel's share right that the fit implies
    is compared with the truth.
    """
    link, z = link_named("abx"), np.random.default_rng(0).standard_normal(200_000)
    truth = link_free_share(1.2 * np.exp(0.5 * z))
    misses = []
    for run in range(10):
        rng = np.random.default_rng([5, run])
        d = 1.2 * np.exp(0.5 * rng.standard_normal(40))
        listener, excerpt = np.repeat(np.arange(40), 3), np.tile(np.arange(3), 40)
        y = rng.binomial(4, link_free_share(d[:, None], mean=False)[listener, 0])
        groups = {"listener": listener, "excerpt": excerpt}
        found = fit(y, np.ones(120), groups, n=np.full(120, 4), link="abx")
        assert found.converged
        assert found.nodes == 25
        spread = np.hypot(*found.sd.values())
        implied = link.probability(found.beta[0] + spread * z[:50_000]).mean()
        misses.append(implied - truth)
    # The share itself has a standard error of .022 by listeners and votes in a run.
    assert abs(np.mean(misses)) < 2.5 * 0.025 / np.sqrt(10)


def link_free_share(d, mean=True):
    """ABX by differencing, from the normal distribution of scipy and not from our curve."""
    from scipy.stats import norm

    a, b = norm.cdf(d / np.sqrt(2)), norm.cdf(d / np.sqrt(6))
    share = 1 - a - b + 2 * a * b
    return share.mean() if mean else share


def test_its_profile_interval_covers_what_the_votes_do_not_rule_out():
    link = link_named("abx")
    y, n, listener, excerpt = tiny(link, 30, 6)
    groups = {"listener": listener, "excerpt": excerpt}
    interval = profile_interval(y, np.ones(y.size), groups, n=n, link="abx")
    assert interval.converged
    best = min(
        integral(y, n, listener, excerpt, link, interval.estimate, s, e)
        for s in (0.01, 0.3, 0.5)
        for e in (0.0,)
    )
    for end in (interval.low, interval.high):
        # At an end of a 95 % interval the best deviance has risen by χ²₁'s 3.84.
        risen = min(
            integral(y, n, listener, excerpt, link, end, s, e)
            for s in (0.01, 0.3, 0.6)
            for e in (0.0, 0.2)
        )
        assert risen - best == pytest.approx(3.84, abs=0.4)


def test_groups_that_do_not_cross_so_are_refused_with_a_sentence():
    y, n, listener, _ = tiny(link_named("abx"), 80, 2)
    many = np.arange(160) % 79  # crossed with 79 levels of another group
    with pytest.raises(BadInput, match="at most 64 levels"):
        fit(y, np.ones(160), {"listener": listener, "day": many}, n=n, link="abx", nodes=9)
    plain = fit(y, np.ones(160), {"listener": listener, "day": many}, n=n, link="abx")
    assert plain.nodes == 1
