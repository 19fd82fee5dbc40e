"""Each factor given the others: brute force, scipy's permutation test, and simulated type I with a
large effect in the other factor."""

import math
from itertools import combinations, product

import numpy as np
import pytest
from scipy import stats

from panel.analysis.attribution import several_factors
from panel.analysis.attribution.permutation import PairTable, take_scores
from panel.errors import BadInput


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def crossed(each):
    """Takes with two factors of two levels, `each` takes a cell."""
    cells = [c for c in product(("hide", "epoxy"), ("old", "new")) for _ in range(each)]
    return {"adhesive": [a for a, _ in cells], "element": [b for _, b in cells]}


def heard(rng, place, n=6, directed=True):
    rows = []
    for a, b in combinations(range(len(place)), 2):
        d = place[b] - place[a]
        p = 1 / (1 + np.exp(-d)) if directed else 0.5 + 0.5 * math.tanh(abs(d) / 2)
        rows += [(a, b, k % 2, rng.random() < p) for k in range(n)]
    return PairTable.count(*zip(*rows, strict=True), len(place))


def effect(levels, adhesive=0.0, element=0.0):
    return adhesive * np.array([v == "epoxy" for v in levels["adhesive"]]) + element * np.array(
        [v == "new" for v in levels["element"]]
    )


def test_directed_equals_brute_force_over_both_strata(rng):
    levels = crossed(3)
    table = heard(rng, rng.normal(size=12))
    scores = take_scores(table)
    strata = [[i for i, v in enumerate(levels["element"]) if v == e] for e in ("old", "new")]

    def statistic(ones):
        return np.mean(
            [scores[list(o)].mean() - scores[[t for t in s if t not in o]].mean()
             for s, o in zip(strata, ones, strict=True)]
        )  # fmt: skip

    values = [statistic(o) for o in product(*(combinations(s, 3) for s in strata))]
    observed = statistic([[t for t in s if levels["adhesive"][t] == "epoxy"] for s in strata])
    found = several_factors.directed(table, levels, "adhesive", rng).attribution
    assert found.exact
    assert found.statistic == pytest.approx(observed)
    assert found.p == pytest.approx(np.mean(np.abs(values) >= abs(observed) - 1e-12))
    assert found.labelings == len(values) // 2 == 200
    assert found.least_p == pytest.approx(2 / 400)


def test_one_factor_alone_is_the_plain_permutation_of_scipy(rng):
    levels = {"adhesive": ["hide"] * 4 + ["epoxy"] * 4}
    table = heard(rng, rng.normal(size=8))
    scores = take_scores(table)
    theirs = stats.permutation_test(
        (scores[4:], scores[:4]), lambda x, y: np.mean(x) - np.mean(y), n_resamples=np.inf
    )
    found = several_factors.directed(table, levels, "adhesive", rng).attribution
    assert found.p == pytest.approx(theirs.pvalue)
    assert found.least_p == pytest.approx(1 / 35)


def test_undirected_equals_brute_force(rng):
    levels = crossed(2)
    place = effect(levels, adhesive=2.0, element=1.0) + rng.normal(0, 0.3, 8)
    rows = [
        (a, b, 0, rng.random() < 0.5 + 0.5 * math.tanh(abs(place[b] - place[a]) / 2))
        for a, b in combinations(range(8), 2)
        for _ in range(5)
    ]
    table = PairTable.count(*zip(*rows, strict=True), 8)
    strata = [[i for i, v in enumerate(levels["element"]) if v == e] for e in ("old", "new")]
    inside = [r for r in rows if any(r[0] in s and r[1] in s for s in strata)]
    mean = {i: np.mean([y for a, _, _, y in inside if a in s]) for i, s in enumerate(strata)}

    def statistic(ones):
        on = {t for o in ones for t in o}
        across, within = [], []
        for a, b, _, y in inside:
            gap = y - mean[0 if a in strata[0] else 1]
            (across if (a in on) != (b in on) else within).append(gap)
        return np.mean(across) - np.mean(within)

    values = [statistic(o) for o in product(*(combinations(s, 2) for s in strata))]
    observed = statistic([[t for t in s if levels["adhesive"][t] == "epoxy"] for s in strata])
    found = several_factors.undirected(table, levels, "adhesive", rng).attribution
    assert found.statistic == pytest.approx(observed)
    assert found.p == pytest.approx(np.mean(np.array(values) >= observed - 1e-12))
    assert found.least_p == pytest.approx(1 / 9)  # each stratum of two and two: 1/3


@pytest.mark.parametrize("kind", ["directed", "undirected"])
def test_the_other_factor_does_not_make_this_one_heard(rng, kind):
    """The element is plain to hear, the adhesive does nothing; takes spread by 0.5 besides."""
    levels = crossed(3)
    test = getattr(several_factors, kind)
    hits, found_other, runs = 0, 0, 150
    for _ in range(runs):
        place = effect(levels, element=2.0) + rng.normal(0, 0.5, 12)
        table = heard(rng, place, n=2, directed=kind == "directed")
        hits += test(table, levels, "adhesive", rng).attribution.p <= 0.05
        found_other += test(table, levels, "element", rng).attribution.p <= 0.05
    assert hits / runs <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)
    assert found_other / runs > (0.6 if kind == "directed" else 0.3)  # it can find what is there


def test_drawn_relabelings_keep_strata_and_agree_with_all(rng):
    strata = several_factors.strata_of(crossed(3), "adhesive")
    drawn, exact = strata.relabeled(rng, most=300)
    assert not exact
    for s in (0, 1):
        own = strata.block == s
        assert np.all(drawn[:, own].sum(axis=1) == strata.labels[own].sum())
    everything, exact = strata.relabeled(rng)
    assert exact
    assert len({tuple(r) for r in everything}) == 400


def test_a_three_level_factor_has_a_spread_and_its_least_p(rng):
    levels = {"part": ["a", "b", "c"] * 4, "board": ["x"] * 6 + ["y"] * 6}
    place = np.array([{"a": 0.0, "b": 2.0, "c": 4.0}[v] for v in levels["part"]])
    found = several_factors.directed(heard(rng, place, n=20), levels, "part", rng).attribution
    assert found.labelings == 90 * 90 // 6
    assert found.p == pytest.approx(found.least_p)


def test_confounded_factors_are_said_to_be_so(rng):
    levels = {"adhesive": ["hide"] * 4 + ["epoxy"] * 4, "element": ["old"] * 4 + ["new"] * 4}
    table = heard(rng, rng.normal(size=8))
    for test in (several_factors.directed, several_factors.undirected):
        found = test(table, levels, "adhesive", rng)
        assert found.attribution is None
        assert "cannot be told apart" in found.why_not
        assert "element" in found.why_not
    assert several_factors.strata_of(levels, "adhesive").least_p("alike") == 1.0


def test_a_stratum_of_one_level_tells_nothing_but_spoils_nothing(rng):
    levels = crossed(4)
    levels = {k: [*v, "extra" if k == "element" else "hide"] for k, v in levels.items()}
    strata = several_factors.strata_of(levels, "adhesive")
    assert strata.telling.tolist() == [True] * 16 + [False]
    found = several_factors.directed(heard(rng, rng.normal(size=17), n=1), levels, "adhesive", rng)
    assert (found.strata, found.takes) == (2, 16)


def test_bad_input_is_refused(rng):
    with pytest.raises(BadInput, match="no factor"):
        several_factors.strata_of({"a": [1, 2]}, "b")
    with pytest.raises(BadInput, match="not logged for the same takes"):
        several_factors.strata_of({"a": [1, 2], "b": [1]}, "a")
