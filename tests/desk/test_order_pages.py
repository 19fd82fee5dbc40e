"""The order of a session at the desk: drawn once, kept, and held against what is logged."""

import re
from itertools import pairwise

import pytest
from desk_cast import Door

from panel.stages.takes import drawn_orders, intake

FIVE = {
    "session": "9 May",
    "condition1": "hide glue", "specimens1": "H-1\nH-2\nH-3\nH-4\nH-5",
    "condition2": "epoxy", "specimens2": "E-1, E-2; E-3\nE-4\n\nE-5",
    "fittings": "1",
}  # fmt: skip


def listed(text: str) -> list[str]:
    """The specimens of a printed order."""
    return re.findall(r"<b>([^<]+)</b>", text.split('class="order"')[1].split("</ol>")[0])


def test_one_press_draws_an_order_that_stays(logged: Door):
    answer = logged.post("/order", **FIVE)
    assert answer.status_code == 303
    page = answer.headers["location"].removeprefix(logged.made.href)
    drawn = listed(logged.get(page).text)
    assert sorted(drawn) == sorted(f"{kind}-{n}" for kind in "EH" for n in range(1, 6))
    assert sum(a[0] != b[0] for a, b in pairwise(drawn)) > 1
    assert listed(logged.get(page).text) == drawn  # after a reload
    (kept,) = drawn_orders.drawn(logged.made.store, logged.made.id)
    assert [setting.specimen for setting in kept.settings] == drawn
    assert {s.specimen[0]: s.condition for s in kept.settings} == {"H": "hide glue", "E": "epoxy"}
    assert "9 May" in logged.get("/takes").text
    assert "Nothing of it is logged yet." in logged.get("/takes").text


def test_a_specimen_a_side_is_fitted_anew(logged: Door):
    one = FIVE | {"specimens1": "H-1", "specimens2": "E-1", "fittings": "5"}
    answer = logged.post("/order", **one)
    drawn = listed(logged.get(answer.headers["location"].removeprefix(logged.made.href)).text)
    assert sorted(drawn) == ["E-1"] * 5 + ["H-1"] * 5


def test_the_log_suggests_what_is_to_be_recorded(logged: Door):
    text = logged.get("/order").text
    assert 'value="hide glue"' in text
    assert ">H-1\nH-2</textarea>" in text
    assert 'value="Session 1"' in text


def test_before_there_is_any_take_an_order_can_be_drawn(empty: Door):
    assert "Order of a session" in empty.get("/takes").text
    assert empty.post("/order", **FIVE).status_code == 303


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"session": " "}, "The session has no name."),
        ({"condition1": ""}, "two to 4 conditions"),
        ({"condition2": "", "specimens2": ""}, "two to 4 conditions"),
        ({"condition2": "Hide  glue"}, "Two conditions have one name."),
        ({"specimens1": " \n"}, "No specimen of “hide glue” is named."),
        ({"specimens1": "H-1\nh-1"}, "“h-1” stands twice"),
        ({"specimens2": "E-1\ne 1"}, "“E-1” and “e 1” have the same letters"),
        ({"specimens2": "x" * 81}, "longer than 80"),
        ({"fittings": "0"}, "at most 100 takes"),
        ({"fittings": "11"}, "at most 100 takes"),
        ({"fittings": "9" * 5000}, "Fresh fittings"),
        ({"fittings": "five"}, "Fresh fittings"),
    ],
)
def test_what_cannot_be_drawn_is_refused_and_stays_in_the_fields(logged: Door, wrong, sentence):
    answer = logged.post("/order", **(FIVE | wrong))
    assert answer.status_code == 400
    assert sentence in answer.text
    kept = "E-1, E-2; E-3" if "specimens2" not in wrong else "H-1\nH-2"
    assert kept in answer.text
    assert drawn_orders.drawn(logged.made.store, logged.made.id) == ()


def test_a_session_is_drawn_once(logged: Door):
    logged.post("/order", **FIVE)
    answer = logged.post("/order", **(FIVE | {"session": "9  MAY"}))
    assert answer.status_code == 409
    assert "was drawn already" in answer.text
    assert len(drawn_orders.drawn(logged.made.store, logged.made.id)) == 1


def test_another_order_than_drawn_is_said_and_nothing_is_lost(logged: Door):
    """The fixture's takes are logged in the order H-1, E-1, E-2, H-2."""
    sides = [drawn_orders.Side("hide glue", ("H-1", "H-2")), drawn_orders.Side("epoxy", ("E-1",))]
    drawn_orders.draw(logged.made.store, logged.made.id, "2 May", sides)
    text = logged.get("/takes").text
    assert "was recorded in another order than drawn" in text
    assert "recorded, H-1, E-1, E-2, H-2" in text
    assert "nothing is lost" in text
    assert "in another order than drawn" in logged.get("/contrasts").text
    assert "in another order than drawn" in logged.get("/clips/ready").text
    refused = logged.post("/order/1/remove")
    assert refused.status_code == 409
    assert "its order stays" in refused.text
    assert len(intake.takes(logged.made.store, logged.made.id)) == 4


def test_an_order_that_is_not_used_can_be_removed(logged: Door):
    logged.post("/order", **FIVE)
    assert logged.post("/order/1/remove").status_code == 303
    assert drawn_orders.drawn(logged.made.store, logged.made.id) == ()
    assert logged.post("/order/1/remove").status_code == 404
    assert logged.get("/order/1").status_code == 404


def test_once_locked_orders_stay(ready: Door):
    from panel.stages.plan import lock

    lock.lock(ready.made.store, ready.made.id)
    assert ready.post("/order", **FIVE).status_code == 409
    assert ready.post("/order/1/remove").status_code == 409
    assert "Draw the order" not in ready.get("/order").text
    text = ready.get("/plan").text
    (order,) = drawn_orders.drawn(ready.made.store, ready.made.id)
    assert ", ".join(setting.specimen for setting in order.settings) in text
    assert "too few for a claim about the kind" in text
    plan = lock.locked(ready.made.store, ready.made.id)
    assert plan.carrier == "the bench zither"
    assert [draw.session for draw in plan.draws] == ["9 May"]
    assert [take.specimen for take in plan.takes] == ["H-1", "E-1", "E-2", "H-2"]
    assert {take.session for take in plan.takes} == {"2 May"}
