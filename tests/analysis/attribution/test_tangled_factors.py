"""Two factors tangled in the takes: what is said of one with and without the other given.

Of twenty takes eight are old and hide glue, eight new and epoxy, two each the other way. If only
the element is heard, eight to two by chance is rare among all relabellings (closed form: 2 ×
(45² + 10² + 1) of 184 756, 2.3 %), so a plain relabelling takes it for the adhesive; within strata
it is every relabelling's own. Simulated with a known truth, by votes on the full round robin.
"""

import math
from itertools import combinations

import numpy as np
import pytest
from scipy.stats import binom, hypergeom

from panel.analysis.attribution import permutation, several_factors
from panel.analysis.attribution.permutation import PairTable, take_scores

CELLS = {("hide", "old"): 8, ("epoxy", "old"): 2, ("hide", "new"): 2, ("epoxy", "new"): 8}
TAKES = [cell for cell, n in CELLS.items() for _ in range(n)]
LEVELS = {"adhesive": [a for a, _ in TAKES], "element": [e for _, e in TAKES]}
EPOXY = np.array([a == "epoxy" for a, _ in TAKES], np.int64)
NEW = np.array([e == "new" for _, e in TAKES], np.int64)


def heard(rng, place, *, directed):
    """One vote a pair by a logistic curve over the takes' places."""
    first, second = map(np.array, zip(*combinations(range(len(place)), 2), strict=True))
    gap = place[second] - place[first]
    p = 1 / (1 + np.exp(-gap)) if directed else 0.5 + 0.5 * np.tanh(np.abs(gap) / 2)
    won = rng.random(len(gap)) < p
    return PairTable.count(first, second, np.zeros(len(gap), int), won, len(place))


def claims(rng, *, directed, adhesive, element, runs):
    """How often each test puts the adhesive down as heard: (plain, given the element)."""
    plain = given = 0
    for _ in range(runs):
        place = adhesive * EPOXY + element * NEW + rng.normal(0, 0.3, len(TAKES))
        table = heard(rng, place, directed=directed)
        if directed:
            plain += permutation.directed(take_scores(table), EPOXY, rng).p <= 0.05
            found = several_factors.directed(table, LEVELS, "adhesive", rng)
        else:
            plain += permutation.undirected(table, EPOXY, rng).p <= 0.05
            found = several_factors.undirected(table, LEVELS, "adhesive", rng)
        given += found.attribution.p <= 0.05
    return plain, given


def test_the_closed_form_that_the_plain_test_runs_into():
    tail = 2 * hypergeom(20, 10, 10).sf(7)
    assert tail == pytest.approx(2 * (45**2 + 10**2 + 1) / math.comb(20, 10))
    assert tail < 0.05


@pytest.mark.parametrize(("directed", "runs"), [(True, 200), (False, 60)])
def test_given_the_other_factor_a_tangled_one_is_not_taken_for_heard(directed, runs):
    """The adhesive does nothing. More false claims than the bar have probability under 0.001."""
    plain, given = claims(
        np.random.default_rng(8), directed=directed, adhesive=0.0, element=3.0, runs=runs
    )
    assert given <= binom.isf(0.001, runs, 0.05)
    assert plain > runs / 3  # so the votes would mislead who does not ask it given the other


@pytest.mark.parametrize("directed", [True, False])
def test_what_the_other_factor_hides_is_found_given_it(directed):
    """Adhesive and element work against each other, so that over all pairs they cancel."""
    plain, given = claims(
        np.random.default_rng(9), directed=directed, adhesive=-3.0, element=3.0, runs=40
    )
    assert given > 30
    assert plain < given / 2
