"""The chain log: what differs stands out, what is not logged is unknown, and locked is locked."""

import pytest
from recordings import Made

from panel.errors import BadInput, Conflict, NotFound
from panel.stages.plan import lock
from panel.stages.takes import intake
from panel.stages.takes.intake import Entry


def cells(made: Made) -> dict[str, list[str]]:
    grid = intake.grid(made.store, made.id)
    return {row.take_id: [cell.state for cell in row.cells] for row in grid.rows}


def test_what_differs_stands_out_and_what_is_not_logged_is_named(logged: Made):
    hours = intake.add_factor(logged.store, logged.id, "hours in use", "numeric", "h", 0.5)
    assert hours == "hours_in_use"
    for take, value in (("t01", 0), ("t02", 0.4), ("t03", "30 h")):
        intake.log_take(logged.store, logged.id, take, {hours: value})
    assert cells(logged) == {
        "t01": ["same", "same"],
        "t02": ["differs", "same"],  # 0.4 h is within the tolerance of half an hour
        "t03": ["differs", "differs"],
        "t04": ["same", "unlogged"],
    }
    assert intake.grid(logged.store, logged.id).unlogged == 1


def test_rows_stand_in_the_order_of_recording(logged: Made):
    for take, place in (("t01", 4), ("t02", 3), ("t03", 2), ("t04", 1)):
        intake.log_take(logged.store, logged.id, take, {}, recorded_order=place)
    rows = intake.grid(logged.store, logged.id).rows
    assert [row.take_id for row in rows] == ["t04", "t03", "t02", "t01"]


def test_what_an_entry_does_not_name_stays(logged: Made):
    intake.log_take(logged.store, logged.id, "t01", {}, notes="chair creaks at 0:14")
    intake.log_take(logged.store, logged.id, "t01", {}, label="first")
    take = intake.take(logged.store, logged.id, "t01")
    assert (take.notes, take.label) == ("chair creaks at 0:14", "first")
    assert cells(logged)["t01"] == ["same"]


@pytest.mark.parametrize("value", ["", "   ", None])
def test_cell_can_be_emptied_again(logged: Made, value: str | None):
    intake.log_take(logged.store, logged.id, "t01", {logged.adhesive: value})
    assert cells(logged)["t01"] == ["unlogged"]


BAD = {
    "unknown factor": Entry({"no_such": "x"}),
    "endless cell": Entry({"adhesive": "x" * 201}),
    "words in a number": Entry({"hours": "many"}),
    "not a number": Entry({"hours": float("nan")}),
    "place before the first": Entry({}, recorded_order=0),
    "endless notes": Entry({}, notes="x" * 2001),
    "endless name": Entry({}, label="x" * 41),
    "name of another take": Entry({}, label="02"),
}


@pytest.mark.parametrize("entry", BAD.values(), ids=BAD)
def test_one_wrong_cell_refuses_the_whole_grid(logged: Made, entry: Entry):
    intake.add_factor(logged.store, logged.id, "hours", "numeric", "h")
    before = intake.grid(logged.store, logged.id)
    with pytest.raises(BadInput):
        intake.log_takes(
            logged.store, logged.id, {"t02": Entry({"adhesive": "hide glue"}), "t01": entry}
        )
    assert intake.grid(logged.store, logged.id) == before


def test_names_can_be_exchanged_in_one_go(logged: Made):
    intake.log_takes(
        logged.store, logged.id, {"t01": Entry({}, label="02"), "t02": Entry({}, label="01")}
    )
    assert intake.take(logged.store, logged.id, "t01").label == "02"


@pytest.mark.parametrize(
    ("name", "kind", "tolerance"),
    [("", "named", 0), ("x" * 61, "named", 0), ("hours", "sometimes", 0), ("hours", "numeric", -1)],
)
def test_factor_that_makes_no_sense_is_refused(logged: Made, name, kind, tolerance):
    with pytest.raises(BadInput):
        intake.add_factor(logged.store, logged.id, name, kind, "h", tolerance)
    assert len(intake.factors(logged.store, logged.id)) == 1


def test_factor_exists_once_whatever_its_case(logged: Made):
    with pytest.raises(Conflict):
        intake.add_factor(logged.store, logged.id, "Adhesive", "named")


def test_factors_with_names_that_look_alike_get_keys_of_their_own(logged: Made):
    keys = [intake.add_factor(logged.store, logged.id, name, "named") for name in ("mic!", "mic?")]
    keys += [intake.add_factor(logged.store, logged.id, "ρ", "named")]
    assert keys == ["mic", "mic_2", "factor"]


def test_factor_is_removed_with_what_was_logged(logged: Made):
    intake.remove_factor(logged.store, logged.id, logged.adhesive)
    assert intake.factors(logged.store, logged.id) == ()
    again = intake.add_factor(logged.store, logged.id, "adhesive", "named")
    assert again == logged.adhesive
    assert cells(logged)["t01"] == ["unlogged"]


def test_factor_that_is_asked_about_stays(ready: Made):
    with pytest.raises(Conflict, match="Stiffer adhesive"):
        intake.remove_factor(ready.store, ready.id, ready.adhesive)


def test_tolerance_can_be_changed(logged: Made):
    key = intake.add_factor(logged.store, logged.id, "bench", "numeric", "°C", 1)
    intake.change_factor(
        logged.store, logged.id, key, name="bench temperature", unit="°C", tolerance=2
    )
    changed = intake.factors(logged.store, logged.id)[1]
    assert (changed.name, changed.tolerance) == ("bench temperature", 2.0)


def test_locked_log_cannot_be_changed(ready: Made):
    lock.lock(ready.store, ready.id)
    for change in (
        lambda: intake.log_take(ready.store, ready.id, "t01", {}),
        lambda: intake.add_factor(ready.store, ready.id, "new", "named"),
        lambda: intake.change_factor(ready.store, ready.id, ready.adhesive, name="x"),
        lambda: intake.remove_factor(ready.store, ready.id, ready.adhesive),
    ):
        with pytest.raises(Conflict, match="locked"):
            change()


def test_unknown_take_is_not_found(logged: Made):
    with pytest.raises(NotFound):
        intake.log_take(logged.store, logged.id, "t99", {})
