"""How long a plan takes to simulate, beside judging the same studies from written-out tables.

    OPENBLAS_NUM_THREADS=1 python tests/bench/study_power.py [--runs 200]

Studies of 30 listeners × 20 votes with a planted check. The last column is how many times faster
the simulation decides one study than the verdict does from its table of votes, in the same run.
"""

import argparse
import importlib.util
import sys
import time
from pathlib import Path

import numpy as np
from vote_records import as_judged, as_tables

from panel.analysis.decision.judgement import judge
from panel.design.power.simulate import Truth, answered, chances, dealt_out
from panel.study.plan_reading import read_plan
from panel.study.votes_check import check_against_plan

_TESTS = Path(__file__).resolve().parent.parent
_SPEC = importlib.util.spec_from_file_location("studies", _TESTS / "design/power/test_simulate.py")
assert _SPEC is not None
assert _SPEC.loader is not None
studies = importlib.util.module_from_spec(_SPEC)
sys.modules["studies"] = studies
sys.path.insert(0, str(_TESTS / "study"))
_SPEC.loader.exec_module(studies)
made = studies.made
TABLES = 5


def main() -> None:
    asked = argparse.ArgumentParser(description="How long a plan takes to simulate.")
    asked.add_argument("--runs", type=int, default=200, help="studies a line")
    runs = asked.parse_args().runs
    print("| asked by | takes | d′ | s for 1,000 studies | times faster than from tables |")
    print("|---|---|---|---|---|")
    for name, takes in (
        ("abx", (5, 5)), ("triangle", (5, 5)), ("same_different", (5, 5)), ("reminder", (5, 5)),
        ("attribute", (5, 5)), ("preference", (4, 4)), ("preference", (5, 5)),
        ("preference", (4, 4, 4)),
    ):  # fmt: skip
        question = made.contrast("q1", name, takes, votes=20)
        document = made.plan(question, made.check(), listeners=30)
        for dprime in (0.0, 1.0):
            truth = Truth(dprime)
            begun = time.perf_counter()
            chances(np.random.default_rng(1), document, truth, runs=runs)
            each = (time.perf_counter() - begun) / runs
            plan = read_plan(document)
            trials = dealt_out(plan)
            tables = [
                studies.written_out(trials, answers)
                for answers in answered(np.random.default_rng(1), plan, trials, truth, runs=TABLES)
            ]
            begun = time.perf_counter()
            for table in tables:
                judge(plan, *as_judged(plan, *check_against_plan(plan, *as_tables(*table))))
            slow = (time.perf_counter() - begun) / TABLES
            sides = " + ".join(map(str, takes))
            print(
                f"| {name} | {sides} | {dprime:g} | {1000 * each:.1f} | {slow / each:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
