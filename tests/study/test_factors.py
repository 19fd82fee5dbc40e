"""Factors: what is read from the grid, what counts as the same, what stands out."""

from __future__ import annotations

import pytest

from panel.errors import BadInput
from panel.study.factors import (
    Factor,
    TakeLog,
    differing,
    grid,
    read_value,
    same_value,
    value_groups,
)

ADHESIVE = Factor("adhesive", "adhesive")
BENCH = Factor("bench", "bench temperature", "numeric", "°C", 1.0)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("19", 19.0), ("19.5 °C", 19.5), (" 19 ", 19.0), ("0,5", 0.5), ("12,25", 12.25),
        ("−3", -3.0), ("1e2", 100.0), ("", None), ("   ", None), ("0,500", 0.5),
    ],
)  # fmt: skip
def test_numbers_are_read_as_people_write_them(text, value):
    assert read_value(BENCH, text) == value


@pytest.mark.parametrize("text", ["warm", "1,000", "1.000,5", "nan", "inf", "--3", "19 °F"])
def test_what_is_no_number_is_refused_with_the_factor(text):
    with pytest.raises(BadInput, match="bench temperature"):
        read_value(BENCH, text)


def test_names_keep_their_spelling_and_lose_stray_spaces():
    assert read_value(ADHESIVE, "  Hide   glue ") == "Hide glue"


@pytest.mark.parametrize(
    ("factor", "a", "b", "same"),
    [
        (ADHESIVE, "hide glue", "Hide  Glue", True),
        (ADHESIVE, "hide glue", "epoxy", False),
        (BENCH, 19.0, 20.0, True),
        (BENCH, 19.0, 20.01, False),
        (BENCH, 20.01, 19.0, False),
        (Factor("h", "hours", "numeric", "h", 0.1), 0.3, 0.4, True),  # 0.4 − 0.3 > 0.1 in floats
        (Factor("h", "hours", "numeric"), 0.1 + 0.2, 0.3, True),
        (Factor("h", "hours", "numeric"), 0, 10, False),
    ],
)
def test_what_counts_as_the_same(factor, a, b, same):
    assert same_value(factor, a, b) is same


@pytest.mark.parametrize("value", [True, "warm", float("nan")])
def test_a_numeric_factor_holds_numbers_only(value):
    with pytest.raises(BadInput, match="no number"):
        same_value(BENCH, value, 19.0)


def test_unlogged_on_either_side_is_unknown():
    a = TakeLog("a", 1, {"adhesive": "epoxy", "bench": 19.0})
    b = TakeLog("b", 2, {"adhesive": " ", "bench": 25.0})
    found = differing(a, b, [ADHESIVE, BENCH, Factor("room", "room")])
    assert found.differs == ("bench",)
    assert found.unlogged == ("adhesive", "room")


def test_the_grid_marks_what_stands_out():
    takes = [
        TakeLog("t3", 3, {"adhesive": "epoxy", "bench": 19.5}),
        TakeLog("t1", 1, {"adhesive": "hide glue", "bench": 19.0}),
        TakeLog("t2", 2, {"adhesive": "epoxy", "bench": 24.0}),
        TakeLog("t4", 4, {"bench": 19.2}),
    ]
    found = grid(takes, [ADHESIVE, BENCH])
    assert [row.take_id for row in found.rows] == ["t1", "t2", "t3", "t4"]
    assert [[cell.state for cell in row.cells] for row in found.rows] == [
        ["differs", "same"], ["same", "differs"], ["same", "same"], ["unlogged", "same"],
    ]  # fmt: skip
    assert found.rows[1].cells[1].text == "24 °C"
    assert found.rows[3].cells[0].text == "not logged"
    assert found.varies == (True, True)


def test_with_a_tie_the_first_recorded_value_is_the_usual_one():
    takes = [
        TakeLog("t1", 2, {"adhesive": "epoxy"}),
        TakeLog("t2", 1, {"adhesive": "hide glue"}),
    ]
    states = [row.cells[0].state for row in grid(takes, [ADHESIVE]).rows]
    assert states == ["same", "differs"]


def test_groups_do_not_creep_along_within_the_tolerance():
    takes = [TakeLog(f"t{i}", i, {"bench": 18.0 + 0.8 * i}) for i in range(5)]
    groups = value_groups(BENCH, takes)
    assert [len(members) for _, members in groups] == [2, 2, 1]


def test_a_negative_tolerance_is_refused():
    with pytest.raises(BadInput, match="tolerance"):
        Factor("h", "hours", "numeric", "h", -1.0)
