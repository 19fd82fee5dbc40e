"""The door: sign in, one-time link, sign out, and the token that every form carries."""

import re

import pytest
from desk_cast import ADDRESS, Door, token
from starlette.testclient import TestClient

from panel.desk import security
from panel.stages import accounts

OWN = {"address": "maker@larkfield.example", "password": "hide glue & zinc"}


def sent_token(page) -> str:
    found = re.search(r'name="csrf" value="(\w+)"', page.text)
    assert found
    return found.group(1)


def test_password_opens_and_leads_back_to_the_page_that_was_asked_for(empty: Door):
    stranger = empty["stranger"]
    asked = stranger.get(f"{empty.made.href}/takes")
    assert asked.status_code == 303
    page = stranger.get(asked.headers["location"])
    wanted = re.search(r'name="next" value="([^"]+)"', page.text)
    opened = stranger.post(
        "/desk/sign-in", data={"csrf": sent_token(page), "next": wanted.group(1), **OWN}
    )
    assert opened.status_code == 303
    assert opened.headers["location"] == f"{empty.made.href}/takes"
    assert stranger.get(opened.headers["location"]).status_code == 200


def test_session_cookie_is_out_of_reach_of_scripts_and_other_sites(empty: Door):
    stranger = empty["stranger"]
    page = stranger.get("/desk/sign-in")
    opened = stranger.post("/desk/sign-in", data={"csrf": sent_token(page), **OWN})
    (cookie,) = [c for c in opened.headers.get_list("set-cookie") if c.startswith("desk=")]
    for part in ("HttpOnly", "SameSite=lax", "Path=/desk"):
        assert part in cookie


@pytest.mark.parametrize(("address", "secure"), [(ADDRESS, True), ("http://127.0.0.1", False)])
def test_cookie_is_secure_where_the_address_is(empty: Door, address: str, secure: bool):
    from panel.app import create_app

    settings = empty.made.settings.model_copy(update={"public_url": address})
    client = TestClient(create_app(settings), base_url=address, follow_redirects=False)
    page = client.get("/desk/sign-in")
    opened = client.post("/desk/sign-in", data={"csrf": sent_token(page), **OWN})
    assert opened.status_code == 303
    assert ("Secure" in opened.headers["set-cookie"]) == secure


@pytest.mark.parametrize("wrong", [{"password": "no"}, {"address": "nobody@larkfield.example"}])
def test_wrong_password_and_unknown_address_look_the_same(empty: Door, wrong: dict):
    stranger = empty["stranger"]
    page = stranger.get("/desk/sign-in")
    refused = stranger.post("/desk/sign-in", data={"csrf": sent_token(page), **OWN, **wrong})
    assert refused.status_code == 403
    assert "do not go together" in refused.text
    assert stranger.get("/desk/studies").status_code == 303


@pytest.mark.parametrize(
    "wanted",
    ["https://evil.example/", "//evil.example", "/desk/studies/..//evil.example", "/desk/sign-out"],
)
def test_nobody_is_sent_to_another_site_after_signing_in(empty: Door, wanted: str):
    stranger = empty["stranger"]
    page = stranger.get("/desk/sign-in", params={"next": wanted})
    opened = stranger.post("/desk/sign-in", data={"csrf": sent_token(page), "next": wanted, **OWN})
    assert opened.headers["location"] == "/desk/studies"


def test_one_time_link_needs_a_press_and_works_once(empty: Door):
    """Mail scanners open links; opening alone must not use it up."""
    code = accounts.one_time_code(empty.made.store, OWN["address"])
    stranger = empty["stranger"]
    for _ in range(3):
        page = stranger.get(f"/desk/enter/{code}")
        assert page.status_code == 200
    entered = stranger.post(f"/desk/enter/{code}", data={"csrf": sent_token(page)})
    assert entered.headers["location"] == "/desk/studies"
    assert stranger.get("/desk/studies").status_code == 200
    assert stranger.get(f"/desk/enter/{code}").status_code == 410
    assert stranger.get("/desk/enter/made-up").status_code == 404


def test_sign_out_ends_the_session_even_for_a_copied_cookie(empty: Door):
    organiser = empty.organiser
    copied = dict(organiser.cookies)
    organiser.post("/desk/sign-out", data={"csrf": token(organiser)})
    assert organiser.get("/desk/studies").status_code == 303
    thief = empty["stranger"]
    for name, value in copied.items():
        thief.cookies.set(name, value)
    assert thief.get("/desk/studies").status_code == 303


def test_new_password_ends_other_sessions_and_keeps_this_one(empty: Door):
    other_device = empty["stranger"]
    page = other_device.get("/desk/sign-in")
    other_device.post("/desk/sign-in", data={"csrf": sent_token(page), **OWN})
    assert other_device.get("/desk/studies").status_code == 200
    new = {"password": "four plain words here", "again": "four plain words here"}
    kept = empty.organiser.post("/desk/password", data={"csrf": token(empty.organiser), **new})
    assert kept.status_code == 303
    assert empty.organiser.get("/desk/studies").status_code == 200
    assert other_device.get("/desk/studies").status_code == 303


@pytest.mark.parametrize("again", ["something else", ""])
def test_two_different_passwords_are_refused(empty: Door, again: str):
    sent = {"password": "four plain words here", "again": again}
    refused = empty.organiser.post("/desk/password", data={"csrf": token(empty.organiser), **sent})
    assert refused.status_code == 400
    assert "not the same" in refused.text


@pytest.mark.parametrize("value", ["", "nonsense", "eyJvcmdhbmlzZXIiOjF9.x.y"])
def test_forged_cookie_opens_nothing(empty: Door, value: str):
    stranger = empty["stranger"]
    stranger.cookies.set(security.SESSION, value)
    assert stranger.get("/desk/studies").status_code == 303


def test_token_of_somebody_else_is_refused(empty: Door):
    foreign = token(empty["other_organiser"])
    refused = empty.organiser.post(
        "/desk/studies/new", data={"csrf": foreign, "title": "T", "question": "Q"}
    )
    assert refused.status_code == 403


def test_program_that_is_not_signed_in_gets_json(empty: Door):
    answer = empty["stranger"].get("/desk/studies", headers={"Accept": "application/json"})
    assert answer.status_code == 401
    assert set(answer.json()["error"]) == {"message", "hint"}
