"""Same–different: the differencing model against integration, and d′ and τ against a search.

Macmillan & Creelman, *Detection Theory* (from memory). Greatest shares right: the project's table
of values, computed twice elsewhere.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import binom, norm

from panel.analysis.counts import exact
from panel.analysis.counts.called_different import (
    Rates,
    dprime_of,
    estimate,
    rates,
)
from panel.procedures.catalogue import PROCEDURES
from panel.procedures.same_different import called_different


def integrated(dprime: float, tau: float) -> float:
    """P(|x − y| > τ) for x ~ N(d′, 1), y ~ N(0, 1), over y."""
    inside, _ = quad(
        lambda y: norm.pdf(y) * (norm.cdf(y + tau - dprime) - norm.cdf(y - tau - dprime)), -10, 10
    )
    return 1 - inside


@pytest.mark.parametrize("dprime", [0.0, 0.5, 1.0, 2.5])
@pytest.mark.parametrize("tau", [0.3, 1.2, 3.0])
def test_rates_are_the_integrals_they_stand_for(dprime, tau):
    hit, false_alarm = called_different(dprime, tau)
    assert hit == pytest.approx(integrated(dprime, tau), abs=1e-7)
    assert false_alarm == pytest.approx(integrated(0.0, tau), abs=1e-7)


@pytest.mark.parametrize(
    ("dprime", "share"), [(0.5, 0.5148), (1, 0.5558), (1.5, 0.6142), (2, 0.6797), (3, 0.8017)]
)
def test_greatest_share_right_over_the_criterion(dprime, share):
    assert PROCEDURES["same_different"].share_right(dprime) == pytest.approx(share, abs=5e-5)


def test_equal_error_criterion_gives_less():
    # d′ = 1: .5513 where both errors are equal, as against .5558 at best.
    taus = np.linspace(0.1, 4, 100_000)
    hit = norm.cdf((1 - taus) / math.sqrt(2)) + norm.cdf((-1 - taus) / math.sqrt(2))
    false_alarm = 2 * norm.cdf(-taus / math.sqrt(2))
    at = np.argmin(np.abs((1 - hit) - false_alarm))
    assert hit[at] == pytest.approx(0.5513, abs=5e-5)


def of(hits, different, false_alarms, same):
    return Rates(hits, different, false_alarms, same, 0, 0, (0.0, 1.0), (0.0, 1.0))


@pytest.mark.parametrize(
    "counts", [(60, 80, 20, 80), (41, 120, 22, 100), (70, 71, 30, 90), (20, 60, 30, 70)]
)
def test_estimate_is_the_maximum_of_the_likelihood(counts):
    found = estimate(of(*counts))

    def minus(at):
        hit, false_alarm = called_different(at[0] ** 2, at[1])
        return -float(
            binom.logpmf(counts[0], counts[1], hit)
            + binom.logpmf(counts[2], counts[3], false_alarm)
        )

    best = min(
        (minimize(minus, (start, 1.0), method="Nelder-Mead",
                  options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000})
         for start in (0.3, 1.2, 2.0)),
        key=lambda result: result.fun,
    )  # fmt: skip
    assert found.dprime == pytest.approx(best.x[0] ** 2, abs=2e-4)
    assert found.tau == pytest.approx(best.x[1], abs=2e-4)


def test_no_number_where_the_rates_have_no_maximum():
    assert estimate(of(80, 80, 20, 80)) is None
    assert estimate(of(40, 80, 0, 80)) is None
    assert estimate(of(0, 0, 10, 80)) is None
    assert dprime_of(0.3, 0.4) == 0.0
    assert dprime_of(1.0, 0.4) == math.inf


def test_with_one_vote_a_listener_the_intervals_are_clopper_and_pearsons():
    differ = np.arange(100) < 60
    said = np.zeros(100, bool)
    said[:40] = said[60:72] = True  # 40 of 60 hits, 12 of 40 false alarms
    found = rates(said, differ, np.ones(100, bool), np.arange(100), np.ones(100, bool), 0.95)
    assert (found.hits, found.different, found.false_alarms, found.same) == (40, 60, 12, 40)
    assert found.hit_interval == pytest.approx(exact.interval(40, 60, 0.975), abs=1e-6)
    assert found.false_alarm_interval == pytest.approx(exact.interval(12, 40, 0.975), abs=1e-6)


def test_the_interval_holds_the_truth_where_listeners_answer_alike():
    rng = np.random.default_rng(8)
    hit, false_alarm = called_different(1.5, 1.4)
    held = 0
    for _ in range(200):
        listener = np.repeat(np.arange(20), 12)
        differ = rng.random(240) < 0.5
        said = rng.random(240) < np.where(differ, hit, false_alarm)
        found = estimate(rates(said, differ, np.ones(240, bool), listener, np.ones(20, bool), 0.95))
        held += found.low <= 1.5 <= found.high
    assert held >= 190  # joint at 95 %, and wider than it need be
