"""Trials dealt by condition: the jackknife against a general library, and its false claims."""

import importlib.util
import math
import sys
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from panel.analysis.attribution import dealt_by_condition

_PLACE = Path(__file__).resolve().parents[2] / "bench" / "attribution.py"
_SPEC = importlib.util.spec_from_file_location("attribution_bench_takes", _PLACE)
assert _SPEC is not None
assert _SPEC.loader is not None
bench = importlib.util.module_from_spec(_SPEC)
sys.modules["attribution_bench_takes"] = bench
_SPEC.loader.exec_module(bench)

RUNS = 120


def test_with_scatter_on_one_side_it_is_the_t_test_of_take_means():
    """Balanced, each vote meeting one take a side, the other side alike: scipy's t test."""
    hits, rows = [6, 7, 9, 8], []
    for (a, k), b in product(enumerate(hits), range(4, 8)):
        rows += [(a, b, vote < k) for vote in range(10)]
    met = np.array([(a, b) for a, b, _ in rows])
    y = np.array([right for *_, right in rows])
    found = dealt_by_condition.test(y, met, np.repeat([0, 1], 4))
    theirs = stats.ttest_1samp([h / 10 for h in hits], 0.5, alternative="greater")
    assert found.p == pytest.approx(theirs.pvalue)
    assert found.statistic == pytest.approx(0.25)


@pytest.mark.parametrize("takes", [4, 5, 8])
@pytest.mark.parametrize("spread", [0.0, 0.25, 0.5, 1.0])
def test_false_claims_stay_under_five_in_a_hundred(takes, spread):
    """Nothing changed; reminders come from the same takes as the samples."""
    found = bench.rate(7, "reminder", takes, spread, 0.0, RUNS)
    assert found.hits / found.runs <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / RUNS)


def test_what_is_there_is_found():
    assert bench.rate(7, "reminder", 5, 0.25, 1.5, 60).interval()[0] > 0.7


@pytest.mark.parametrize("takes", [2, 3])
def test_fewer_than_four_takes_claim_nothing(takes):
    assert bench.rate(7, "reminder", takes, 0.0, 3.0, 5).hits == 0
