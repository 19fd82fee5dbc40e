"""Studies of a database of schema 1, locked under a plan of format 1: kept, exported, erased.

Of its three studies one is a draft, one was open, and one concluded.
"""

import csv
import io
import json
import re
import sqlite3
import zipfile
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

import desk_cast
import first_schema
import pytest
from fastapi import APIRouter
from fastapi.routing import APIRoute
from sqlmodel import SQLModel
from starlette.testclient import TestClient

from panel import desk
from panel.app import create_app
from panel.desk import routes
from panel.settings import Settings, load
from panel.stages import accounts
from panel.stages.listen.print_pool import PrintPool
from panel.store.files import original_key
from panel.study.plan_reading import OF_FORMAT_1, TO_FORMAT_2

OPEN, DRAFT, CLOSED = 1, 2, 3


@dataclass(frozen=True)
class Carried:
    """The server on that database."""

    settings: Settings
    visitor: TestClient
    before: first_schema.Rows

    def code(self, study: int) -> str:
        (row,) = [row for row in self.before["study"] if row["id"] == study]
        return str(row["code"])

    def href(self, study: int) -> str:
        return f"/desk/studies/{self.code(study)}"

    def signed_in(self, study: int) -> TestClient:
        """A client of the study's organiser."""
        (owner,) = [r["organiser_id"] for r in self.before["study"] if r["id"] == study]
        (address,) = [r["address"] for r in self.before["organiser"] if r["id"] == owner]
        return desk_cast.enter(self.visitor.app, str(address))

    @property
    def now(self) -> first_schema.Rows:
        return first_schema.rows(self.settings.data / "panel.sqlite")


@pytest.fixture
def carried(tmp_path: Path) -> Carried:
    before = first_schema.rows(first_schema.write(tmp_path / "panel.sqlite"))
    settings = load(data=tmp_path, secret="a secret for tests only")
    app = create_app(settings)
    visitor = TestClient(app, base_url=desk_cast.ADDRESS, follow_redirects=False)
    return Carried(settings, visitor, before)


def of_a_study() -> list[tuple[str, str]]:
    """Method and end of each address of a study at the desk, but for its originals and this page's
    own."""
    modules = [import_module(f"panel.desk.{found.name}") for found in iter_modules(desk.__path__)]
    found = [
        (method, re.sub(r"\{\w+\}", "1", route.path.partition("{study_code}")[2]))
        for module in modules
        if module is not routes
        for route in getattr(module, "router", APIRouter()).routes
        if isinstance(route, APIRoute) and "{study_code}" in route.path
        for method in sorted(route.methods & {"GET", "POST"})
    ]
    return [
        (method, end)
        for method, end in found
        if not end.startswith("/kept") and not end.endswith("/original")
    ]


@pytest.mark.parametrize("study", [OPEN, CLOSED])
def test_every_page_leads_to_the_one_that_opens_with_the_sentence(carried: Carried, study: int):
    organiser, href = carried.signed_in(study), carried.href(study)
    csrf = {"csrf": desk_cast.token(organiser)}
    asked = 0
    for method, page in of_a_study():
        away = organiser.request(method, href + page, data=csrf if method == "POST" else None)
        assert (away.status_code, away.headers.get("location")) == (303, f"{href}/kept"), page
        asked += 1
    assert asked > 50
    opened = organiser.get(f"{href}/kept")
    assert opened.status_code == 200
    main = opened.text.split("<main")[1]
    assert main.index(OF_FORMAT_1) < main.index("<h1>")
    assert TO_FORMAT_2 in main
    assert carried.now["vote"] == carried.before["vote"]


def test_a_program_reads_the_sentence_too(carried: Carried):
    organiser = carried.signed_in(OPEN)
    told = organiser.get(f"{carried.href(OPEN)}/plan", headers={"Accept": "application/json"})
    assert told.status_code == 409
    assert told.json()["error"] == {"message": OF_FORMAT_1, "hint": TO_FORMAT_2}


def test_the_list_says_what_can_be_done_and_a_draft_goes_on(carried: Carried):
    text = carried.signed_in(OPEN).get("/desk/studies").text
    assert "kept as it was" in text
    assert f"{carried.href(OPEN)}/kept" in text
    for page in ("", "/takes", "/order", "/contrasts", "/plan"):
        assert carried.signed_in(DRAFT).get(carried.href(DRAFT) + page).status_code == 200, page
    assert carried.signed_in(DRAFT).get(f"{carried.href(DRAFT)}/kept").status_code == 404


@pytest.mark.parametrize("reasons", [False, True])
def test_what_is_kept_is_exported(carried: Carried, reasons: bool):
    organiser = carried.signed_in(CLOSED)
    query = "?reasons=yes" if reasons else ""
    answer = organiser.get(f"{carried.href(CLOSED)}/kept/export.zip{query}")
    assert answer.status_code == 200
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        held = {name: archive.read(name) for name in archive.namelist()}
    assert set(held) == {
        "README.txt", "plan.json", "votes.csv", "listeners.csv", "codebook.csv",
        *(["reasons.csv"] if reasons else []),
    }  # fmt: skip
    (plan,) = [r["canonical"] for r in carried.before["plan"] if r["study_id"] == CLOSED]
    assert held["plan.json"] == plan
    assert json.loads(held["plan.json"])["format"] == "fair-hearing-plan/1"
    votes = list(csv.DictReader(io.StringIO(held["votes.csv"].decode())))
    before = [row for row in carried.before["vote"] if row["study_id"] == CLOSED]
    trials = {row["id"]: row for row in carried.before["trial"]}
    wanted = [trials[row["trial_id"]] for row in sorted(before, key=lambda r: str(r["sequence"]))]
    assert len(votes) == len(wanted) > 0
    by_number = {(v["contrast"], v["trial"]) for v in votes}
    assert by_number == {(t["contrast_key"], str(t["number"])) for t in wanted}
    assert b"example.org" not in b"".join(held.values())  # no address
    assert OF_FORMAT_1.split(",")[0] in " ".join(held["README.txt"].decode().split())
    if reasons:
        assert "Wärmer, I think." in held["reasons.csv"].decode()


def test_an_open_study_can_be_exported_as_it_is(carried: Carried):
    answer = carried.signed_in(OPEN).get(f"{carried.href(OPEN)}/kept/export.zip")
    assert answer.status_code == 200


def test_originals_can_be_fetched_still(carried: Carried):
    organiser = carried.signed_in(OPEN)
    address = f"{carried.href(OPEN)}/takes/t01/original"
    assert organiser.get(address).status_code == 404  # not in the folder
    (take,) = [r for r in carried.before["take"] if (r["study_id"], r["key"]) == (OPEN, "t01")]
    files = carried.visitor.app.state.store.files  # type: ignore[attr-defined]
    files.write(original_key(str(take["sha256"])), b"the sound")
    assert organiser.get(address).content == b"the sound"
    assert address in organiser.get(f"{carried.href(OPEN)}/kept").text


def test_listeners_read_that_it_has_ended(carried: Carried):
    store = carried.visitor.app.state.store  # type: ignore[attr-defined]
    seen = 0
    for row in carried.before["listener"]:
        if row["study_id"] != OPEN or row["revoked_at"]:
            continue
        code = store.sealer.open(row["link_sealed"])
        for page in (f"/listen/{code}", f"/listen/{code}/trial"):
            answer = carried.visitor.get(page)
            assert answer.status_code in (404, 405, 410), page
        answer = carried.visitor.get(f"/listen/{code}")
        assert answer.status_code == 410
        assert "takes no more answers. Thank you" in answer.text
        assert carried.visitor.post(f"/listen/{code}/consent").status_code == 410
        assert carried.visitor.get(f"/listen/{code}/withdraw").status_code == 200
        seen += 1
    assert seen > 2
    (study,) = [row for row in carried.before["study"] if row["id"] == OPEN]
    door = store.sealer.open(study["open_link_sealed"])
    for asked in (carried.visitor.get(f"/join/{door}"), carried.visitor.post(f"/join/{door}")):
        assert asked.status_code == 410
        assert "takes no more answers. Thank you" in asked.text
    assert carried.now["trial"] == carried.before["trial"]
    assert len(carried.now["listener"]) == len(carried.before["listener"])


def test_no_prints_are_made_of_it_and_none_of_the_others_are_held_up(carried: Carried):
    store = carried.visitor.app.state.store  # type: ignore[attr-defined]
    made: list[object] = []

    def render(samples: object, rate: int) -> bytes:
        made.append(samples)
        return b""

    PrintPool(store, 2**30, render, least_free=0).fill()  # fails where a plan cannot be read
    assert made == []


@pytest.mark.parametrize("study", [OPEN, CLOSED])
def test_erased_nothing_is_left_of_it_and_all_of_the_others(carried: Carried, study: int):
    organiser, href = carried.signed_in(study), carried.href(study)
    files = carried.visitor.app.state.store.files  # type: ignore[attr-defined]
    hashes = {str(r["sha256"]) for r in carried.before["take"] if r["study_id"] == study}
    others = {str(r["sha256"]) for r in carried.before["take"] if r["study_id"] != study}
    for sha256 in hashes | others:
        files.write(original_key(sha256), b"the sound")
    assert "cannot" in organiser.get(f"{href}/kept/erase").text
    assert organiser.post(f"{href}/kept/erase").status_code == 403
    assert carried.now["study"] == [{**row, "carrier": ""} for row in carried.before["study"]]
    sent = organiser.post(f"{href}/kept/erase", data={"csrf": desk_cast.token(organiser)})
    assert (sent.status_code, sent.headers["location"]) == (303, "/desk/studies")
    for table, rows in carried.before.items():
        if table in SQLModel.metadata.tables and "study_id" in rows[0]:
            kept = [row["id"] for row in rows if row["study_id"] != study]
            assert [row["id"] for row in carried.now[table]] == kept, table
    assert study not in [row["id"] for row in carried.now["study"]]
    with sqlite3.connect(carried.settings.data / "panel.sqlite") as connection:
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert all(files.has(original_key(sha256)) for sha256 in others)
    assert not any(files.has(original_key(sha256)) for sha256 in hashes - others)
    assert organiser.get(f"{href}/kept").status_code == 404


def test_nobody_else_may_export_or_erase(carried: Carried):
    other, href = carried.signed_in(CLOSED), carried.href(OPEN)
    for page in ("", "/export.zip", "/erase"):
        assert other.get(f"{href}/kept{page}").status_code == 404
        assert carried.visitor.get(f"{href}/kept{page}").status_code == 303
    csrf = {"csrf": desk_cast.token(other)}
    assert other.post(f"{href}/kept/erase", data=csrf).status_code == 404


def test_a_study_of_today_has_no_such_page(ready: desk_cast.Door):
    from panel.stages.plan import lock

    lock.lock(ready.made.store, ready.made.id)
    for page in ("/kept", "/kept/erase", "/kept/export.zip"):
        assert ready.get(page).status_code == 409
    assert ready.post("/kept/erase").status_code == 409
    assert accounts.organiser(ready.made.store, ready.made.organiser).id == ready.made.organiser
