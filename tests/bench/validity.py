"""How often the verdict is wrong, by simulation through the very same code: prints a table.

    python tests/bench/validity.py [runs]

Truths: takes that differ by themselves (spread in d′), a change that does nothing or something,
listeners who hear or do not. Listeners' sensitivities are log-normal (spread 0.5). The table in
SCIENCE terms: false "heard" and "preferred" (change does nothing), power (it does), false "not
heard" (more people hear than the plan's limit), and the cover of the bound on the share.
"""

import importlib.util
import math
import sys
from collections import Counter
from pathlib import Path

import numpy as np

from panel.analysis import exact, shares
from panel.analysis.judgement import judge
from panel.analysis.plan_reading import read_plan
from panel.analysis.votes import check_against_plan

_HERE = Path(__file__).resolve().parent
_SPEC = importlib.util.spec_from_file_location("made", _HERE.parent / "analysis" / "conftest.py")
assert _SPEC is not None
assert _SPEC.loader is not None
made = importlib.util.module_from_spec(_SPEC)
sys.modules["made"] = made
_SPEC.loader.exec_module(made)


def codes(seed, runs, procedure, takes, listeners, votes, kind="fixed", **truth) -> Counter[str]:
    asked = made.contrast("q1", procedure, takes, votes=votes)
    document = made.plan(asked, made.check(), listeners=listeners, kind=kind)
    plan = read_plan(document)
    out: Counter[str] = Counter()
    for run in range(runs):
        rng = np.random.default_rng([seed, run])
        cast, rows = check_against_plan(plan, *made.simulate(document, rng, **truth))
        out[judge(plan, cast, rows)["q1"].code] += 1
    return out


def line(label: str, hits: int, runs: int) -> None:
    low, high = exact.interval(hits, runs)
    print(f"{label:<74} {hits / runs:6.3f}  [{low:.3f}, {high:.3f}]  of {runs}", flush=True)


def main(runs: int) -> None:
    print("False “heard” / “preferred”: the change does nothing; 40 × 24 (abx, triangle), 16 × 12")
    for procedure in ("abx", "triangle", "attribute", "preference"):
        size = (40, 24) if procedure in ("abx", "triangle") else (16, 12)
        for takes in ((4, 4), (5, 5)):
            for spread in (0.0, 0.5, 1.0):
                got = codes(1, runs, procedure, takes, *size, take_spread=spread)
                line(
                    f"  {procedure}, {takes[0]} + {takes[1]} takes, spread {spread:g}",
                    got["heard"] + got["preferred"],
                    runs,
                )
    print("The same, one file a side: how often chance is beaten (the verdict: recordings differ)")
    for procedure in ("abx", "attribute"):
        size = (40, 24) if procedure == "abx" else (16, 12)
        got = codes(2, runs, procedure, (1, 1), *size, take_spread=0.5)
        line(f"  {procedure}, spread 0.5", got["recordings_differ"], runs)
        assert not got["heard"]
    print("Power")
    for procedure, takes, size, effect, spread in (
        ("abx", (4, 4), (40, 24), 1.5, 0.25), ("abx", (5, 5), (40, 24), 1.5, 0.5),
        ("attribute", (4, 4), (16, 12), 1.0, 0.1), ("attribute", (5, 5), (16, 12), 1.0, 0.25),
        ("preference", (5, 5), (40, 24), 0.5, 0.1),
    ):  # fmt: skip
        got = codes(3, runs, procedure, takes, *size, effect=effect, take_spread=spread)
        line(
            f"  {procedure}, {takes[0]} + {takes[1]}, {size[0]} × {size[1]}, d′ {effect:g}, "
            f"spread {spread:g}",
            got["heard"] + got["preferred"],
            runs,
        )
    print("False “not heard; at most X %”: 30 % always hear, the limit is 25 %")
    for kind in ("fixed", "anytime"):
        for size in ((12, 16), (40, 16)):
            got = codes(
                4, runs, "abx", (1, 1), *size, kind, effect=12.0, hears=0.3, listener_spread=0.0
            )
            line(f"  {kind}, {size[0]} × {size[1]}", got["not_heard"], runs)
    print("True “not heard”: nobody hears, limit 25 %")
    for size in ((24, 16), (40, 16)):
        got = codes(5, runs, "abx", (4, 4), *size)
        line(f"  {size[0]} × {size[1]}", got["not_heard"], runs)
    print("Bound on the share misses the truth (aim: at most 0.050)")
    rng = np.random.default_rng(6)
    for listeners in (12, 40, 200):
        for votes in (4, 16):
            for share in (0.1, 0.3, 1.0):
                panels = rng.binomial(
                    votes, np.where(rng.random((10 * runs, listeners)) < share, 0.98, 0.5)
                )
                mean = 0.5 + share * 0.48
                missed = sum(shares.p_at_least(x / votes, mean) <= 0.05 for x in panels)
                line(f"  {listeners} × {votes}, {share:.0%} hear", missed, 10 * runs)
    print(f"Standard error of a rate of 0.05 here: {math.sqrt(0.0475 / runs):.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
