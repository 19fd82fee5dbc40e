"""Links: the terms of the likelihood against differences, the tails against other functions."""

import numpy as np
import pytest
from scipy.special import log_expit, log_ndtr

from panel.analysis.mixed.links import LINKS, link_named
from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES
from panel.procedures.curves import CURVES

ALL = sorted(LINKS)
IDS = [f"{name}-{form}" for name, form in ALL]


def completed(link, eta):
    return link.completed(eta, link.terms(eta))


@pytest.mark.parametrize("key", ALL, ids=IDS)
def test_terms_are_derivatives_of_the_log_probabilities(key):
    link = link_named(*key)
    eta, h = np.linspace(-2.5, 2.5, 41), 1e-4
    down, here, up = (completed(link, eta + e) for e in (-h, 0.0, h))
    close = {"rel": 1e-6, "abs": 2e-7}
    assert here.a == pytest.approx((up.log_right - down.log_right) / (2 * h), **close)
    assert here.b == pytest.approx((down.log_wrong - up.log_wrong) / (2 * h), **close)
    assert here.a1 == pytest.approx((up.a - down.a) / (2 * h), **close)
    assert here.b1 == pytest.approx((up.b - down.b) / (2 * h), **close)
    assert here.a2 == pytest.approx((up.a1 - down.a1) / (2 * h), **close)
    assert here.b2 == pytest.approx((up.b1 - down.b1) / (2 * h), **close)
    assert np.exp(here.log_right) + np.exp(here.log_wrong) == pytest.approx(np.ones(41), abs=1e-12)


@pytest.mark.parametrize(
    ("name", "logarithm"),
    [
        ("logit", log_expit),
        ("probit", log_ndtr),
        ("twoafc", lambda eta: log_ndtr(eta / np.sqrt(2))),
    ],
)
def test_tails_agree_with_the_library(name, logarithm):
    eta = np.array([-30.0, -8.0, -1.0, 0.0, 0.5, 9.0, 30.0])
    terms = link_named(name).terms(eta)
    assert terms.log_right == pytest.approx(logarithm(eta), rel=1e-12, abs=1e-300)
    assert terms.log_wrong == pytest.approx(logarithm(-eta), rel=1e-12, abs=1e-300)


@pytest.mark.parametrize("name", ["abx", "triangle", "duotrio", "tetrad", "abx_independent"])
@pytest.mark.parametrize("form", ["floor", "log"])
def test_even_links_never_fall_under_chance_and_follow_their_curve(name, form):
    link = link_named(name, form)
    eta = np.linspace(-20, 3, 47)
    assert link.even
    assert link.floor == CURVES[name].chance
    assert np.all(link.probability(eta) >= link.floor - 1e-12)
    assert np.all(np.diff(link.probability(eta)) >= -1e-15)
    d = link.sensitivity(eta)
    assert np.all(d >= 0.0)
    assert link.probability(eta) == pytest.approx(CURVES[name].probability(d), abs=1e-12)


def test_the_floor_hardly_bends_a_sensitivity_that_is_heard():
    link = link_named("abx")
    assert link.sensitivity(1.0) == pytest.approx(1.0, abs=0.005)
    assert link.sensitivity(0.5) == pytest.approx(0.5, abs=0.04)
    assert link.sensitivity(-2.0) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("name", ["twoafc", "attribute", "preference", "threeafc"])
def test_directed_links_are_on_the_scale_of_dprime(name):
    eta = np.linspace(-3, 3, 13)
    link = link_named(name)
    assert not link.even
    curve = CURVES[name] if name in CURVES else PROCEDURES[name].curve
    assert link.probability(eta) == pytest.approx(curve.probability(eta), abs=1e-12)


@pytest.mark.parametrize("key", ALL, ids=IDS)
def test_terms_stay_finite_far_out(key):
    terms = completed(link_named(*key), np.array([-200.0, -40.0, 40.0]))
    for part in terms:
        assert np.all(np.isfinite(part))


@pytest.mark.parametrize(("name", "form"), [("cloglog", "floor"), ("abx", "soft"), (None, "floor")])
def test_an_unknown_link_is_refused_with_the_known_ones(name, form):
    with pytest.raises(BadInput, match="no link") as refused:
        link_named(name, form)
    assert "triangle" in refused.value.hint
