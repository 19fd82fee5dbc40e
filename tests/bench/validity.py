"""How often the verdict is wrong, by simulation through the very same code.

    python tests/bench/validity.py --list
    python tests/bench/validity.py --only "false heard" --first 0 --runs 50 --into slices.jsonl
    python tests/bench/validity.py --table slices.jsonl [more.jsonl …]

A cell is one truth: takes that differ by themselves (spread in d′), a change that does something
or nothing, listeners who hear or do not (sensitivities log-normal, spread 0.5). Run r of a cell
draws from the stream (cell's seed, r), so slices of runs can be made apart, on any machine, and
added up: `--table` refuses slices that overlap. Each line gives the rate with its exact interval.
"""

import argparse
import importlib.util
import json
import sys
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
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

LARGE, SMALL = (40, 24), (16, 12)  # listeners × votes
HEARD = frozenset({"heard", "preferred"})


@dataclass(frozen=True)
class Cell:
    """One truth. `hit(run)`: did the thing happen that the heading counts?"""

    heading: str
    label: str
    hit: Callable[[int], bool]

    @property
    def name(self) -> str:
        return f"{self.heading}: {self.label}"


def verdicts(seed, wanted, procedure, takes, size, kind="fixed", **truth) -> Callable[[int], bool]:
    asked = made.contrast("q1", procedure, takes, votes=size[1])
    document = made.plan(asked, made.check(), listeners=size[0], kind=kind)

    def hit(run: int) -> bool:
        plan = read_plan(document)
        rng = np.random.default_rng([seed, run])
        cast, rows = check_against_plan(plan, *made.simulate(document, rng, **truth))
        return judge(plan, cast, rows)["q1"].code in wanted

    return hit


def misses(seed, listeners, votes, share, *, anytime) -> Callable[[int], bool]:
    """Is the 95 % upper bound on the share under the true share? Hearers are right in 98 %."""
    mean = 0.5 + share * 0.48

    def hit(run: int) -> bool:
        rng = np.random.default_rng([seed, run])
        hears = rng.random(listeners) < share
        scores = rng.binomial(votes, np.where(hears, 0.98, 0.5)) / votes
        upper = (shares.mean_upper_anytime if anytime else shares.mean_upper)(scores)
        return bool(upper < mean)

    return hit


def cells() -> list[Cell]:
    out = []
    for procedure in ("abx", "triangle", "attribute", "preference"):
        size = LARGE if procedure in ("abx", "triangle") else SMALL
        for takes in ((4, 4), (5, 5)):
            for spread in (0.0, 0.25, 0.5, 1.0):
                out.append(
                    Cell(
                        "false heard",
                        f"{procedure}, {takes[0]} + {takes[1]} takes, {size[0]} × {size[1]}, "
                        f"take spread {spread:g}",
                        verdicts(1, HEARD, procedure, takes, size, take_spread=spread),
                    )
                )
    for procedure, size in (("abx", LARGE), ("attribute", SMALL)):
        out.append(
            Cell(
                "chance beaten by one file a side, no change",
                f"{procedure}, {size[0]} × {size[1]}, take spread 0.5",
                verdicts(2, {"recordings_differ"}, procedure, (1, 1), size, take_spread=0.5),
            )
        )
    for procedure, takes, size, effect, spread in (
        ("abx", (4, 4), LARGE, 1.5, 0.25), ("abx", (5, 5), LARGE, 1.5, 0.5),
        ("attribute", (4, 4), SMALL, 1.0, 0.1), ("attribute", (5, 5), SMALL, 1.0, 0.25),
        ("preference", (5, 5), LARGE, 0.5, 0.1),
    ):  # fmt: skip
        out.append(
            Cell(
                "power",
                f"{procedure}, {takes[0]} + {takes[1]} takes, {size[0]} × {size[1]}, d′ {effect:g},"
                f" take spread {spread:g}",
                verdicts(3, HEARD, procedure, takes, size, effect=effect, take_spread=spread),
            )
        )
    for kind in ("fixed", "anytime"):
        for size in ((12, 16), (40, 16)):
            out.append(
                Cell(
                    "false not heard",
                    f"{kind}, {size[0]} × {size[1]}, 30 % always hear, limit 25 %",
                    verdicts(
                        4, {"not_heard"}, "abx", (1, 1), size, kind,
                        effect=12.0, hears=0.3, listener_spread=0.0,
                    ),
                )
            )  # fmt: skip
    for size in ((24, 16), (40, 16)):
        out.append(
            Cell(
                "true not heard",
                f"abx, {size[0]} × {size[1]}, nobody hears, limit 25 %",
                verdicts(5, {"not_heard"}, "abx", (4, 4), size),
            )
        )
    for anytime in (False, True):
        for listeners in (12, 40, 200):
            for votes in (4, 16):
                for share in (0.1, 0.3, 1.0):
                    out.append(
                        Cell(
                            "bound on the share misses",
                            f"{'anytime' if anytime else 'planned end'}, {listeners} × {votes}, "
                            f"{share:.0%} hear",
                            misses(6, listeners, votes, share, anytime=anytime),
                        )
                    )
    return out


def run_slice(wanted: list[Cell], first: int, runs: int, into: Path | None) -> None:
    for cell in wanted:
        hits = sum(cell.hit(run) for run in range(first, first + runs))
        record = {"cell": cell.name, "first": first, "runs": runs, "hits": hits}
        print(json.dumps(record, ensure_ascii=False), flush=True)
        if into is not None:
            with into.open("a") as lines:
                lines.write(json.dumps(record, ensure_ascii=False) + "\n")


def table(files: list[Path]) -> str:
    """A Markdown table of the slices added up, in the order of the cells."""
    found: dict[str, list[dict]] = defaultdict(list)
    for file in files:
        for text in file.read_text().splitlines():
            record = json.loads(text)
            found[record["cell"]].append(record)
    lines = ["| truth | counted | rate | 95 % interval | runs |", "|---|---|---|---|---|"]
    for cell in cells():
        slices = sorted(found.get(cell.name, ()), key=lambda r: r["first"])
        for before, after in pairwise(slices):
            if after["first"] < before["first"] + before["runs"]:
                raise SystemExit(f"Two slices of “{cell.name}” hold the same runs: leave one out.")
        runs, hits = sum(r["runs"] for r in slices), sum(r["hits"] for r in slices)
        if runs:
            low, high = exact.interval(hits, runs)
            lines.append(
                f"| {cell.label} | {cell.heading} | {hits / runs:.3f} | {low:.3f}–{high:.3f} | "
                f"{runs:,} |"
            )
    return "\n".join(lines)


def main() -> None:
    asked = argparse.ArgumentParser(description="How often the verdict is wrong.")
    asked.add_argument("--list", action="store_true", help="print the cells' names and stop")
    asked.add_argument("--only", default="", help="cells whose name has this text in it")
    asked.add_argument("--first", type=int, default=0, help="number of the first run")
    asked.add_argument("--runs", type=int, default=200, help="runs a cell in this slice")
    asked.add_argument("--into", type=Path, help="file to append the slice to, a line a cell")
    asked.add_argument("--table", type=Path, nargs="+", help="add up slices and print a table")
    given = asked.parse_args()
    if given.table:
        print(table(given.table))
        return
    wanted = [c for c in cells() if given.only in c.name]
    if given.list:
        print("\n".join(c.name for c in wanted))
        return
    run_slice(wanted, given.first, given.runs, given.into)


if __name__ == "__main__":
    main()
