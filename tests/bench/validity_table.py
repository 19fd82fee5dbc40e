"""The table of validity: kept as counts in validity.csv, told to people in VALIDITY.md.

validity.py writes both. A row is a cell of the bench: what was counted, under which truth, how
often it happened in the runs that count. `stream` is the number that the cell's draws begin with
and `slices` are the runs of that stream, so that no run is counted twice; where both are empty they
were not kept, and runs can only be made anew. Rates and intervals are worked out from the counts
when the page is made.
"""

import csv
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from itertools import pairwise
from pathlib import Path

CSV = Path(__file__).with_name("validity.csv")
PAGE = Path(__file__).with_name("VALIDITY.md")

ABOUT = """\
# How valid the verdict is

Made from `tests/bench/validity.csv` by `python tests/bench/validity.py --page`; a test fails when
the two differ, or when cells of the bench and rows of the table do.

By simulation through the very steps that decide (`tests/bench/validity.py`, on
`panel/design/power/simulate.py`, which `tests/design/power/test_simulate.py` holds to the table
of votes, at the end and at looks before it). Takes differ by themselves with the spread given, in
d′; listeners' sensitivities are log-normal with spread 0.5; sizes are listeners × votes; α =
0.05, confidence 95 %; schedules are drawn by 16 seeds in turn.

Where the counts come from:

{origins}

“False heard” counts “heard” and “preferred” where the change does nothing: it should be at most
0.050. So should every other line but “power”, “true not heard”, and “chance beaten by one file a
side”, which shows why one file a side claims nothing about a change. Intervals of the rates are
Wilson's, for each line by itself: among {lines} lines some lie to one side by luck. Cells of
unlike studies have draws of their own.

- The permutation's own level is 6/126 = 0.048 with 5 + 5 takes and 14/280 = 0.050 with 3 + 3 + 3,
  and at large take spreads rates come up to it: it is exact when takes are exchangeable, which
  recording in mixed order is for. Lines that stood over it after some hundred runs were run on,
  and have the more runs below.
- “Preferred” and “divided” are two claims, each with α of its own; the locked plan says so.
- **Typical listener's d′:** sensitivities here are log-normal and its truth is their median; the
  model takes them as normal, so its centre lies above, and its interval missed 19 of 115 (ABX,
  200 × 8). So its end towards 0 reaches to the median of a log-normal (`sizes.with_skew`). Runs
  without a fitted model are counted out. Sizes decide nothing.
- Listeners' likings: the interval is that of the likelihood ratio with t² in place of χ², which
  missed 10 in 100 with 12 listeners.
- Intervals for the mean share, bounds on the share, and the d′ of the mean share are on the safe
  side with few listeners: they cover in 97–100 %, not 95 %.
- “Not heard, at most X %” counts a listener who hears now and then as part of one who always
  hears. Where 30 % hear d′ 1.5 (ABX 66 %), the share in that sense is under a tenth, and “at most
  25 %” is both true and frequent. The plan's page says so before the lock, and the report after
  it.
- Looks at each vote: “chance rejected at any vote” is the same event, with more runs.
- Questions given other factors: labels are permuted among takes alike in them
  (`panel/analysis/attribution/several_factors.py`); size and power against plain relabelling are
  in `tests/analysis/attribution/test_tangled_factors.py` and
  `tests/analysis/attribution/test_given_two.py`.

"""


@dataclass(frozen=True)
class Row:
    """Counts of one cell. `runs` made, of which `counted_runs` say something, `hits` happened.

    `slices`: stretches of runs, (first, how many). `origin`: where the counts come from.
    """

    counted: str
    truth: str
    hits: int
    counted_runs: int
    runs: int
    stream: int | None
    slices: tuple[tuple[int, int], ...]
    origin: str

    def __post_init__(self) -> None:
        if not 0 <= self.hits <= self.counted_runs <= self.runs:
            raise ValueError(
                f"“{self.name}”: {self.hits} of {self.counted_runs} counted of {self.runs} runs"
            )
        if self.slices and sum(many for _, many in self.slices) != self.runs:
            raise ValueError(f"“{self.name}”: its slices do not add up to its {self.runs} runs")

    @property
    def name(self) -> str:
        return f"{self.counted}: {self.truth}"


def wilson(hits: int, n: int, z: float = 1.959963984540054) -> tuple[float, float]:
    """Wilson's interval for a proportion, 95 % by default (1927, J. Am. Stat. Assoc. 22, 209)."""
    middle = (hits + z * z / 2) / (n + z * z)
    half = z / (n + z * z) * math.sqrt(hits * (n - hits) / n + z * z / 4)
    return max(0.0, middle - half), min(1.0, middle + half)


def read(path: Path) -> dict[str, Row]:
    """The rows by name, in the file's order."""
    with path.open(encoding="utf-8", newline="") as lines:
        found = [_row(cells) for cells in csv.DictReader(lines)]
    if len({row.name for row in found}) < len(found):
        raise ValueError(f"{path.name} has two rows for one cell")
    return {row.name: row for row in found}


def written(rows: Iterable[Row]) -> str:
    """The text of validity.csv."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(field.name for field in fields(Row))
    for row in rows:
        out.writerow(
            [
                row.counted, row.truth, row.hits, row.counted_runs, row.runs,
                "" if row.stream is None else row.stream,
                " ".join(f"{first}+{many}" for first, many in row.slices), row.origin,
            ]
        )  # fmt: skip
    return text.getvalue()


def _row(cells: Mapping[str, str]) -> Row:
    stretches = (one.split("+") for one in cells["slices"].split())
    return Row(
        cells["counted"],
        cells["truth"],
        int(cells["hits"]),
        int(cells["counted_runs"]),
        int(cells["runs"]),
        int(cells["stream"]) if cells["stream"] else None,
        tuple((int(first), int(many)) for first, many in stretches),
        cells["origin"],
    )


def added(before: Row | None, more: Iterable[Row], *, anew: bool) -> Row:
    """A cell's row with the slices `more` added; `anew` leaves out what was there before.

    Raises SystemExit where slices hold the same runs, or where that cannot be known.
    """
    rows = [*([] if before is None or anew else [before]), *more]
    last = rows[-1]
    if any(row.stream is None or row.stream != last.stream for row in rows):
        raise SystemExit(
            f"The runs of “{last.name}” come from unlike streams, or from one that was not kept: "
            "they cannot be added. With --anew the slices replace what is there."
        )
    slices = sorted(one for row in rows for one in row.slices)
    for (first, many), (after, _) in pairwise(slices):
        if after < first + many:
            raise SystemExit(f"Two slices of “{last.name}” hold the same runs: leave one out.")
    return Row(
        last.counted,
        last.truth,
        sum(row.hits for row in rows),
        sum(row.counted_runs for row in rows),
        sum(row.runs for row in rows),
        last.stream,
        _joined(slices),
        last.origin,
    )


def _joined(slices: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Stretches that follow upon each other as one."""
    out: list[tuple[int, int]] = []
    for first, many in slices:
        if out and sum(out[-1]) == first:
            out[-1] = (out[-1][0], out[-1][1] + many)
        else:
            out.append((first, many))
    return tuple(out)


def page(rows: Iterable[Row]) -> str:
    """The text of VALIDITY.md: what the numbers are, and a line for each row."""
    rows = list(rows)
    origins = dict.fromkeys(row.origin for row in rows)
    told = "\n".join(f"- {sum(row.origin == o for row in rows)} lines: {o}." for o in origins)
    lines = ["| counted | truth | rate | 95 % interval | runs |", "|---|---|---|---|---|"]
    for row in rows:
        if not row.counted_runs:
            lines.append(f"| {row.counted} | {row.truth} | – | – | 0 of {row.runs:,} |")
            continue
        low, high = wilson(row.hits, row.counted_runs)
        of = "" if row.runs == row.counted_runs else f" of {row.runs:,}"
        lines.append(
            f"| {row.counted} | {row.truth} | {row.hits / row.counted_runs:.3f} | "
            f"{low:.3f}–{high:.3f} | {row.counted_runs:,}{of} |"
        )
    return ABOUT.format(origins=told, lines=len(rows)) + "\n".join(lines) + "\n"
