"""How long a plan takes to simulate, beside judging the same studies from written-out tables.

    export OPENBLAS_NUM_THREADS=1 PYTHONPATH=tests/study:tests/design/power
    python tests/bench/study_power.py [--runs 200]

Studies of 30 listeners × 20 votes with a planted check. The last column is how many times faster
the simulation decides one study than the verdict does from its table of votes, in the same run.
"""

import argparse
import time

import made_studies as made
import numpy as np
import test_simulate as studies
from vote_records import as_judged, as_tables

from panel.analysis.decision.judgement import judge
from panel.design.power.simulate import Truth, answered, chances, dealt_out
from panel.study.plan import Plan
from panel.study.plan_reading import read_plan
from panel.study.votes_check import check_against_plan

TABLES = 5
ASKED = (
    ("abx", (5, 5)), ("triangle", (5, 5)), ("tetrad", (5, 5)), ("same_different", (5, 5)),
    ("reminder", (5, 5)), ("attribute", (5, 5)), ("preference", (4, 4)), ("preference", (5, 5)),
    ("preference", (4, 4, 4)),
)  # fmt: skip


def planned(name: str, takes: tuple[int, ...]) -> Plan:
    question = made.contrast("q1", name, takes, votes=20)
    return read_plan(made.plan(question, made.check(), listeners=30))


def simulated(plan: Plan, truth: Truth, runs: int) -> float:
    """Seconds to decide one study by simulation."""
    begun = time.perf_counter()
    chances(np.random.default_rng(1), plan, truth, runs=runs)
    return (time.perf_counter() - begun) / runs


def from_tables(plan: Plan, truth: Truth) -> float:
    """Seconds to decide one study from its table of votes."""
    trials = dealt_out(plan)
    tables = [
        studies.written_out(trials, answers)
        for answers in answered(np.random.default_rng(1), plan, trials, truth, runs=TABLES)
    ]
    begun = time.perf_counter()
    for table in tables:
        judge(plan, *as_judged(plan, *check_against_plan(plan, *as_tables(*table))))
    return (time.perf_counter() - begun) / TABLES


def main() -> None:
    asked = argparse.ArgumentParser(description="How long a plan takes to simulate.")
    asked.add_argument("--runs", type=int, default=200, help="studies a line")
    runs = asked.parse_args().runs
    print("| asked by | takes | d′ | s for 1,000 studies | times faster than from tables |")
    print("|---|---|---|---|---|")
    for name, takes in ASKED:
        plan = planned(name, takes)
        for dprime in (0.0, 1.0):
            each = simulated(plan, Truth(dprime), runs)
            slow = from_tables(plan, Truth(dprime))
            sides = " + ".join(map(str, takes))
            print(
                f"| {name} | {sides} | {dprime:g} | {1000 * each:.1f} | {slow / each:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
