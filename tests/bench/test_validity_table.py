"""The page of validity says what its table holds, and the table holds what the bench counts."""

import json
from pathlib import Path

import pytest
import validity
import validity_table as table
from statsmodels.stats.proportion import proportion_confint

TOLD = "run by this bench"


def row(hits: int, counted: int, runs: int, stream: int | None, *slices: tuple[int, int]):
    return table.Row("false heard", "two takes", hits, counted, runs, stream, slices, TOLD)


@pytest.fixture(scope="module")
def cells():
    return validity.cells()


def test_page_is_made_from_the_table_as_it_stands() -> None:
    made = table.page(table.read(table.CSV).values())
    assert table.PAGE.read_text(encoding="utf-8") == made, (
        "stale: python tests/bench/validity.py --page"
    )


def test_table_is_in_the_form_the_bench_writes() -> None:
    assert table.CSV.read_text(encoding="utf-8") == table.written(table.read(table.CSV).values())


def test_table_has_a_row_for_each_cell_of_the_bench_and_no_other(cells) -> None:
    names = [cell.name for cell in cells]
    assert len(set(names)) == len(names) > 200
    rows = table.read(table.CSV)
    assert set(names) - set(rows) == set(), "cells never run: --only …, --into …, then --table …"
    assert set(rows) - set(names) == set(), "rows of cells that the bench no longer has"
    assert list(rows) == names
    assert [name for name in rows if not rows[name].counted_runs] == []


@pytest.mark.parametrize(
    ("hits", "runs"), [(0, 1), (1, 1), (0, 2160), (7, 148), (120, 2400), (920, 20960), (199, 200)]
)
def test_intervals_are_those_of_a_reference_library(hits: int, runs: int) -> None:
    low, high = proportion_confint(hits, runs, alpha=0.05, method="wilson")
    assert table.wilson(hits, runs) == pytest.approx((low, high), abs=1e-12)


def test_page_tells_rate_interval_and_runs_of_a_row() -> None:
    # 9 of 171 counted of 200 made: Wilson 0.0279 to 0.0971 (statsmodels 0.14).
    last = table.page([row(9, 171, 200, 5, (0, 200))]).splitlines()[-1]
    assert last == "| false heard | two takes | 0.053 | 0.028–0.097 | 171 of 200 |"


def test_slices_of_one_stream_add_up() -> None:
    before = row(1, 90, 100, 5, (0, 100))
    more = [row(3, 50, 50, 5, (150, 50)), row(2, 50, 50, 5, (100, 50))]
    assert table.added(before, more, anew=False) == row(6, 190, 200, 5, (0, 200))
    assert table.added(before, more[:1], anew=False).slices == ((0, 100), (150, 50))


def test_runs_are_never_counted_twice() -> None:
    before = row(1, 90, 100, 5, (0, 100))
    with pytest.raises(SystemExit, match="hold the same runs"):
        table.added(before, [row(0, 50, 50, 5, (99, 50))], anew=False)


@pytest.mark.parametrize("stream", [None, 6], ids=["not kept", "unlike"])
def test_runs_of_a_stream_that_is_not_the_same_are_not_added(stream: int | None) -> None:
    before = row(1, 90, 100, stream, *([(0, 100)] if stream else []))
    more = row(2, 50, 50, 5, (0, 50))
    with pytest.raises(SystemExit, match="cannot be added"):
        table.added(before, [more], anew=False)
    assert table.added(before, [more], anew=True) == more


@pytest.mark.parametrize(
    ("hits", "counted", "runs", "slices"), [(3, 2, 2, ()), (1, 3, 2, ()), (0, 2, 2, ((0, 1),))]
)
def test_counts_that_cannot_be_are_refused(hits, counted, runs, slices) -> None:
    with pytest.raises(ValueError, match="two takes"):
        row(hits, counted, runs, 5, *slices)


def test_a_slice_run_by_the_bench_goes_into_table_and_page(cells, tmp_path, monkeypatch) -> None:
    """The whole way: run, write the slice down, add it up, read the row, find the line."""
    kept, page, slices = tmp_path / "kept.csv", tmp_path / "page.md", tmp_path / "slices.jsonl"
    kept.write_text(table.CSV.read_text(encoding="utf-8"), encoding="utf-8")
    monkeypatch.setattr(table, "CSV", kept)
    monkeypatch.setattr(table, "PAGE", page)
    cell = next(
        c for c in cells if c.name == "bound on the share misses: planned end, 12 × 4, 10% hear"
    )
    validity.run_slice([cell], 0, 20, slices)
    told = [bool(cell.hit(run)) for run in range(80)]  # a cheap cell: four runs for each asked for
    validity.add_to_table([slices], anew=True)
    rows = table.read(kept)
    assert len(rows) == len(cells)
    found = rows[cell.name]
    assert (found.hits, found.counted_runs, found.runs) == (sum(told), 80, 80)
    assert (found.stream, found.slices) == (cell.hit.stream, ((0, 80),))
    assert page.read_text(encoding="utf-8") == table.page(rows.values())
    with pytest.raises(SystemExit, match="hold the same runs"):
        validity.add_to_table([slices], anew=False)


def test_a_slice_of_a_cell_that_is_gone_is_refused(tmp_path: Path) -> None:
    slices = tmp_path / "slices.jsonl"
    gone = {
        "cell": "a cell: long gone",
        "stream": 1,
        "first": 0,
        "runs": 1,
        "counted": 1,
        "hits": 0,
    }
    slices.write_text(json.dumps(gone) + "\n", encoding="utf-8")
    with pytest.raises(SystemExit, match="no cell “a cell: long gone”"):
        validity.sliced([slices])


def test_a_cell_of_each_heading_runs_and_its_runs_do_not_hang_on_each_other(cells) -> None:
    """Slices made apart add up only if run r is the same whichever runs came before it."""
    first = {c.heading: c for c in reversed(cells) if "looked at each vote" not in c.name}
    assert len(first) > 15  # looks at each vote take their time
    for cell in first.values():
        alone = cell.hit(17)
        cell.hit(3)
        assert cell.hit(17) == alone, cell.name
