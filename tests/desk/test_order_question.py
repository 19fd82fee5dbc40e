"""Which of three is liked best: asked through the form, kept, shown, and locked as it was asked."""

import re

import recordings
from desk_cast import Door

from panel.stages.clips import prepare
from panel.stages.contrasts import asked as contrasts
from panel.stages.plan import lock
from panel.stages.takes import intake

LACQUERS = ("bare", "shellac", "oil")


def with_three_lacquers(door: Door) -> None:
    """Two takes of each of three values of a second factor, logged through the desk."""
    made = door.made
    for number in range(4, 6):
        view = intake.add_take(
            made.store, made.id, f"take {number + 1}.wav", [recordings.take(number)]
        )
        intake.log_take(made.store, made.id, view.key, {made.adhesive: "hide glue"})
    for key in ("t02", "t03"):
        intake.log_take(made.store, made.id, key, {made.adhesive: "hide glue"})
    assert door.post("/takes/factors", name="lacquer", kind="named").status_code == 303
    logged = {f"t0{n}.lacquer": LACQUERS[n % 3] for n in range(1, 7)}
    order = {f"t0{n}.order": str(n) for n in range(1, 7)}
    assert door.post("/takes/log", **order, **logged).status_code == 303


def test_three_conditions_are_asked_about_in_one_preference(logged: Door):
    with_three_lacquers(logged)
    made = logged.made
    form = logged.get("/contrasts/question?factor=lacquer").text
    assert [label for label in LACQUERS if f"<legend>{label}</legend>" in form] == list(LACQUERS)
    offered = re.findall(r'name="take" value="(t\d\d)"', form)
    assert sorted(offered) == ["t01", "t02", "t03", "t04", "t05", "t06"]
    assert 'name="procedure" value="preference"' in form

    asked = logged.post(
        "/contrasts/question", factor="lacquer", name="Lacquer, liked best",
        procedure="preference", votes="15", take=offered, ties="yes",
    )  # fmt: skip
    assert asked.status_code == 303
    (view,) = contrasts.contrasts(made.store, made.id)
    assert {side.label for side in view.sides} == set(LACQUERS)
    shown = logged.get("/contrasts").text
    assert "Lacquer, liked best" in shown
    assert all(label in shown for label in LACQUERS)

    prepare.prepare(made.store, made.id)
    rules = {"alpha": "0.05", "limit": "25", "stop_kind": "fixed", "listeners": "12",
             "planted_least_right": "", "headphones": "record"}  # fmt: skip
    assert logged.post("/plan", **rules).status_code == 303
    assert "Lacquer, liked best" in logged.get("/plan").text
    page = logged.get("/plan/lock").text
    sum_shown = re.search(r'name="sha256" value="([0-9a-f]{64})"', page)
    assert sum_shown
    assert logged.post("/plan/lock", sha256=sum_shown.group(1)).status_code == 303

    (question,) = (c for c in lock.locked(made.store, made.id).document()["contrasts"]
                   if c["role"] == "question")  # fmt: skip
    assert question["procedure"] == "preference"
    assert question["ties"] is True
    assert question["scale"] is None
    assert question["votes_per_listener"] == 15
    takes = {c["label"]: sorted(c["takes"]) for c in question["conditions"]}
    assert takes == {"bare": ["t03", "t06"], "shellac": ["t01", "t04"], "oil": ["t02", "t05"]}


def test_an_order_by_right_answers_is_refused_in_a_sentence(logged: Door):
    """Told apart is asked of two conditions; an order only where there is a direction."""
    with_three_lacquers(logged)
    refused = logged.post(
        "/contrasts/question", factor="lacquer", name="Lacquer", procedure="abx", votes="15",
        take=["t01", "t02", "t03", "t04", "t05", "t06"],
    )  # fmt: skip
    assert refused.status_code == 400
    assert 'role="alert"' in refused.text
    assert contrasts.contrasts(logged.made.store, logged.made.id) == ()
