"""From clips to the lock: prepared in the background, refused in sentences, locked as shown."""

import re
import time

import pytest
import recordings
from desk_cast import Door

from panel.design.power import prospects
from panel.stages.clips import prepare
from panel.stages.contrasts import asked
from panel.stages.plan import lock


def wait_for_clips(door: Door) -> None:
    for _ in range(600):
        if not door.get("/clips/progress").json()["running"]:
            return
        time.sleep(0.1)
    raise AssertionError("the clips were never prepared")


def test_clips_are_prepared_in_the_background_and_shown(logged: Door):
    assert logged.post("/clips", level="matched").status_code == 303
    wait_for_clips(logged)
    text = logged.get("/clips").text
    assert "Excerpt 1" in text
    assert text.count("data-clip=") == 4
    assert not prepare.stale(logged.made.store, logged.made.id)
    wav = logged.get("/clips/e1/t02.wav")
    assert wav.content[:4] == b"RIFF"
    assert len(wav.content) == 44 + 3 * 2 * recordings.RATE


def test_takes_that_cannot_be_prepared_are_told_afterwards(logged: Door):
    import numpy as np

    logged.upload(("silence.wav", recordings.file(np.zeros(3 * recordings.RATE))))
    logged.post("/clips")
    wait_for_clips(logged)
    assert "is silent" in logged.get("/clips").text


def test_nothing_to_prepare_is_told_at_once(empty: Door):
    answer = empty.post("/clips")
    assert answer.status_code == 400
    assert "nothing to prepare" in answer.text


QUESTION = {
    "factor": "adhesive",
    "name": "Stiffer adhesive",
    "procedure": "abx",
    "votes": "12",
    "take": ["t01", "t02", "t03", "t04"],
}


def test_question_is_kept_with_the_takes_that_were_ticked(logged: Door):
    assert logged.post("/contrasts/question", **QUESTION).status_code == 303
    (view,) = asked.contrasts(logged.made.store, logged.made.id)
    assert [side.takes for side in view.sides] == [("t01", "t04"), ("t02", "t03")]
    assert "Stiffer adhesive" in logged.get("/contrasts").text


def test_two_changes_are_refused_with_clean_pairs_to_choose(logged: Door):
    logged.post("/takes/factors", name="element", kind="named")
    logged.post("/takes/log", **{
        **{f"t0{n}.order": str(n) for n in range(1, 5)},
        **{f"t0{n}.element": "E3" if n == 2 else "E2" for n in range(1, 5)},
    })  # fmt: skip
    answer = logged.post("/contrasts/question", **QUESTION)
    assert answer.status_code == 400
    assert "differ in two factors" in answer.text
    pairs = re.findall(r'takes=(t\d\d,t\d\d)">Ask about this pair', answer.text)
    assert pairs[0] == "t01,t03"
    assert logged.get("/contrasts/question?factor=adhesive&takes=t01,t03").text.count(
        " checked"
    ) == 3  # the two takes, and a procedure  # fmt: skip
    overridden = logged.post("/contrasts/question", **QUESTION, reason="Sold together.")
    assert overridden.status_code == 303
    assert "Sold together." in logged.get("/contrasts").text


@pytest.mark.parametrize(
    "wrong",
    [{"factor": "no_such"}, {"take": []}, {"take": ["t01", "t04"]}, {"votes": "many"},
     {"votes": "1.5"}, {"procedure": ""}, {"procedure": "attribute"}, {"name": ""}],
    ids=str,
)  # fmt: skip
def test_wrong_question_is_refused_in_a_sentence(logged: Door, wrong: dict):
    answer = logged.post("/contrasts/question", **(QUESTION | wrong))
    assert 400 <= answer.status_code < 500
    assert 'role="alert"' in answer.text
    assert asked.contrasts(logged.made.store, logged.made.id) == ()


def test_retake_control_and_check_are_kept(logged: Door):
    control = {"name": "Retakes", "procedure": "abx", "votes": "4",
               "group.t01": "first", "group.t04": "second"}  # fmt: skip
    assert logged.post("/contrasts/retakes", **control).status_code == 303
    check = {"take": "t01", "kind": "shelf", "amount": "6", "procedure": "abx", "votes": "4"}
    assert logged.post("/contrasts/check", **check).status_code == 303
    assert logged.post("/contrasts/check", **(check | {"amount": "loud"})).status_code == 400
    roles = [view.role for view in asked.contrasts(logged.made.store, logged.made.id)]
    assert roles == ["retake_control", "planted_check"]


def test_what_the_plan_costs_and_cannot_answer_is_said_before_the_lock(ready: Door):
    for page in ("/plan", "/plan/lock"):
        text = ready.get(page).text
        assert "votes across conditions are planned" in text
        assert "1/3" in text  # two takes a side: the floor of attribution
    assert "16 trials" in ready.get("/plan").text
    assert 'role="img"' in ready.get("/plan").text


def test_a_plan_is_simulated_when_asked_and_the_endings_stay(ready: Door, monkeypatch):
    monkeypatch.setattr(prospects, "RUNS", 10)
    prospects._found.clear()  # another test may have simulated the same plan in this process
    first = ready.get("/plan").text
    assert "plan?simulate=yes" in first
    assert "Of 100 studies" not in first
    for page in ("/plan?simulate=yes", "/plan"):
        text = ready.get(page).text
        assert "3 in 10 hear d′ = 1" in text
        assert "nobody hears anything" in text
        assert "plan?simulate=yes" not in text
    big = {"alpha": "0,05", "limit": "25", "stop_kind": "fixed", "listeners": "5000",
           "planted_least_right": "", "headphones": "record"}  # fmt: skip
    assert ready.post("/plan", **big).status_code == 303
    refused = ready.get("/plan?simulate=yes")
    assert refused.status_code == 400
    assert "too long to simulate" in refused.text


@pytest.mark.parametrize(
    ("procedure", "said"),
    [("same_different", "further apart than 1.5"), ("preference", "less than 0.5 apart")],
)
def test_what_a_simulation_takes_for_granted_is_said_with_it(
    ready: Door, monkeypatch, procedure, said
):
    monkeypatch.setattr(prospects, "RUNS", 4)
    prospects._found.clear()
    assert said not in ready.get("/plan?simulate=yes").text
    recordings.ask(ready.made, name="Asked otherwise", procedure=procedure)
    wait = ready.post("/clips")
    assert wait.status_code == 303
    wait_for_clips(ready)
    assert said in ready.get("/plan?simulate=yes").text


def test_rules_are_kept_or_refused_with_what_was_typed(ready: Door):
    rules = {"alpha": "0,01", "limit": "30", "stop_kind": "anytime", "listeners": "24",
             "planted_least_right": "3", "headphones": "exclude"}  # fmt: skip
    assert ready.post("/plan", **rules).status_code == 303
    kept = lock.draft(ready.made.store, ready.made.id).rules
    assert (kept.alpha, kept.limit, kept.planted_least_right) == (0.01, 0.3, 3)
    refused = ready.post("/plan", **(rules | {"alpha": "often"}))
    assert refused.status_code == 400
    assert 'value="often"' in refused.text


def test_plan_is_locked_as_it_was_shown_and_downloaded_in_its_bytes(ready: Door):
    import hashlib

    shown = re.search(r'name="sha256" value="([0-9a-f]{64})"', ready.get("/plan/lock").text)
    assert shown
    assert ready.post("/plan/lock", sha256=shown.group(1)).status_code == 303
    page = ready.get("/plan").text
    assert shown.group(1) in page
    file = ready.get("/plan/plan.json")
    assert hashlib.sha256(file.content).hexdigest() == shown.group(1)
    assert file.headers["content-disposition"] == 'attachment; filename="plan.json"'


@pytest.mark.parametrize("sha256", ["", "0" * 64])
def test_lock_without_the_sum_that_was_shown_is_a_conflict(ready: Door, sha256: str):
    answer = ready.post("/plan/lock", sha256=sha256)
    assert answer.status_code == 409
    assert "has changed since" in answer.text


def test_everything_the_plan_covers_is_refused_after_the_lock(ready: Door):
    lock.lock(ready.made.store, ready.made.id)
    before = recordings.stored(ready.made), lock.canonical(ready.made.store, ready.made.id)
    for form, fields in {
        "": {"title": "T", "question": "Q"},
        "/takes/log": {"t01.order": "1", "t01.label": "x"},
        "/takes/factors": {"name": "element", "kind": "named"},
        "/takes/factors/adhesive": {"name": "glue"},
        "/takes/factors/adhesive/remove": {},
        "/takes/t04/remove": {},
        "/excerpts": {"start": "0.1", "end": "1.1"},
        "/excerpts/e1/remove": {},
        "/clips": {"level": "as_recorded"},
        "/contrasts/question": QUESTION,
        "/contrasts/retakes": {"name": "R", "procedure": "abx", "votes": "1",
                               "group.t01": "first", "group.t04": "second"},
        "/contrasts/check": {"take": "t01", "kind": "level", "amount": "3", "procedure": "abx",
                             "votes": "1"},
        "/contrasts/q1/remove": {},
        "/plan": {"alpha": "0.05", "limit": "25", "stop_kind": "fixed", "listeners": "9",
                  "headphones": "record"},
        "/plan/lock": {"sha256": "0" * 64},
    }.items():  # fmt: skip
        answer = ready.post(form, **fields)
        assert answer.status_code == 409, form
        assert "locked" in answer.text, form
    uploaded = ready.upload(("new.wav", recordings.take(9)), json=True)
    assert "locked" in uploaded.json()["files"][0]["message"]
    assert before == (
        recordings.stored(ready.made), lock.canonical(ready.made.store, ready.made.id),
    )  # fmt: skip


def test_pages_of_a_locked_study_offer_no_form_that_would_be_refused(ready: Door):
    lock.lock(ready.made.store, ready.made.id)
    for page in ("", "/takes", "/excerpts", "/clips", "/contrasts", "/plan"):
        text = ready.get(page).text
        actions = set(re.findall(r'<form method="post" action="([^"]+)"', text))
        assert actions == {"/desk/sign-out"}, page


def test_planting_a_check_makes_its_copies_and_no_clip_anew(ready: Door):
    before = recordings.stored(ready.made)
    sent = ready.post(
        "/contrasts/check", take="t02", kind="shelf", amount="2", procedure="abx", votes="2",
        attribute="",
    )  # fmt: skip
    assert sent.status_code == 303
    assert not prepare.stale(ready.made.store, ready.made.id)
    assert before < recordings.stored(ready.made)
    loud = ready.post(
        "/contrasts/check", take="t02", kind="level", amount="20", procedure="abx", votes="2",
        attribute="",
    )  # fmt: skip
    assert loud.status_code == 303
    assert prepare.stale(ready.made.store, ready.made.id)
