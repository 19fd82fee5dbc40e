"""The benches follow the code: each can be imported, and the quick ones decide a study."""

import importlib
from pathlib import Path

import pytest

BENCHES = sorted(
    file.stem for file in Path(__file__).parent.glob("*.py") if not file.stem.startswith("test_")
)


@pytest.mark.parametrize("name", BENCHES)
def test_bench_can_be_imported(name: str) -> None:
    assert importlib.import_module(name).__doc__, "a bench says at its top what it counts"


def test_study_power_decides_studies_both_ways() -> None:
    bench = importlib.import_module("study_power")
    plan = bench.planned("tetrad", (5, 5))
    truth = bench.Truth(1.0)
    assert bench.simulated(plan, truth, runs=2) > 0
    assert bench.from_tables(plan, truth) > 0
