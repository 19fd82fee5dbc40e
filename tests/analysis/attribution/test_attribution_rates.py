"""A small fixed-seed part of tests/bench/attribution.py.

False claims stay under 5 %, where one file a side does not, and a real difference is found.
"""

import importlib.util
import math
import sys
from pathlib import Path

import pytest

_PLACE = Path(__file__).resolve().parents[2] / "bench" / "attribution.py"
_SPEC = importlib.util.spec_from_file_location("attribution_bench", _PLACE)
assert _SPEC is not None
assert _SPEC.loader is not None
bench = importlib.util.module_from_spec(_SPEC)
sys.modules["attribution_bench"] = bench
_SPEC.loader.exec_module(bench)

SEED, RUNS = 3, 80


def test_wilson_interval_as_in_statsmodels():
    from statsmodels.stats.proportion import proportion_confint

    for hits, runs in ((0, 30), (7, 80), (80, 80)):
        assert bench.Rate(hits, runs).interval() == pytest.approx(
            proportion_confint(hits, runs, method="wilson"), abs=1e-6
        )


@pytest.mark.parametrize("procedure", list(bench.SETTINGS))
@pytest.mark.parametrize(("takes", "spread"), [(2, 1.0), (4, 0.5), (5, 1.0)])
def test_the_takes_own_differences_are_not_put_down_to_the_change(procedure, takes, spread):
    found = bench.rate(SEED, procedure, takes, spread, 0.0, RUNS)
    assert found.hits / found.runs <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / RUNS)


@pytest.mark.parametrize("procedure", ["abx", "preference"])
def test_one_file_a_side_makes_false_claims(procedure):
    """SCIENCE's warning: more votes on two files only make the wrong claim surer."""
    assert bench.rate(SEED, procedure, 1, 1.0, 0.0, 40).interval()[0] > 0.4


@pytest.mark.parametrize(("procedure", "least"), [("abx", 0.85), ("preference", 0.85)])
def test_power_of_five_a_side(procedure, least):
    """Computed beforehand elsewhere (SCIENCE §4), spread 0.25: ABX at d′ 1.5 .96–.99 (40 × 24),
    preference at d′ 1 .93 (16 × 12)."""
    dprime = bench.SETTINGS[procedure][2]
    found = bench.rate(SEED, procedure, 5, 0.25, dprime, RUNS)
    assert found.interval()[1] > 0.93
    assert found.hits / found.runs > least


def test_two_and_three_a_side_never_claim_by_permutation():
    """The floor: 1/3 and 1/10."""
    for takes in (2, 3):
        assert bench.rate(SEED, "preference", takes, 0.0, 3.0, 20).hits == 0
