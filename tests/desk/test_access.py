"""Who may open each address of the desk, and that nothing changes without the form's token."""

import re
from html.parser import HTMLParser

import pytest
from desk_cast import Door
from fastapi.routing import APIRoute

from panel.desk import clips, contrasts, excerpts, leader, orders, plan, studies, takes

# Every page of a study that is ours, with what its organiser gets.
PAGES = {
    "": 200,
    "/takes": 200,
    "/takes/t01": 200,
    "/takes/t01/original": 200,
    "/takes/t01/span.wav?start=0&end=1": 200,
    "/excerpts": 200,
    "/leader": 200,
    "/leader/told": 200,
    "/order": 200,
    "/order/1": 200,
    "/clips": 200,
    "/clips/progress": 200,
    "/clips/ready": 200,
    "/clips/e1/t01.wav": 200,
    "/contrasts": 200,
    "/contrasts/question": 200,
    "/contrasts/question?factor=adhesive": 200,
    "/contrasts/retakes": 200,
    "/contrasts/check": 200,
    "/contrasts/measured": 200,
    "/plan": 200,
    "/plan/lock": 200,
    "/plan/plan.json": 404,  # before the lock
}
FORMS = {
    "": {"title": "T", "question": "Q"},
    "/takes": {},
    "/takes/log": {"t01.order": "1"},
    "/takes/factors": {"name": "element", "kind": "named"},
    "/takes/factors/adhesive": {"name": "glue"},
    "/takes/factors/adhesive/remove": {},
    "/takes/t04/remove": {},
    "/excerpts": {"start": "0.1", "end": "1.1"},
    "/excerpts/e1/remove": {},
    "/order": {
        "session": "1 June",
        "condition1": "A",
        "specimens1": "A-1",
        "condition2": "B",
        "specimens2": "B-1",
        "fittings": "2",
    },
    "/order/1/remove": {},
    "/leader": {"rate": "44100"},
    "/leader/alignment": {"alignment": "music"},
    "/clips": {"level": "as_recorded"},
    "/contrasts/question": {"factor": "adhesive"},
    "/contrasts/retakes": {},
    "/contrasts/check": {"take": "t01"},
    "/contrasts/q1/remove": {},
    "/plan": {"listeners": "1"},
    "/plan/lock": {},
}


def routes(method: str) -> set[str]:
    found = {
        route.path
        for module in (clips, contrasts, excerpts, leader, orders, plan, studies, takes)
        for route in module.router.routes
        if isinstance(route, APIRoute) and method in route.methods
    }
    return {path.removeprefix("/studies/{study_code}") for path in found if "{study" in path}


def shape(address: str) -> str:
    """`/takes/t01/original` as the route's path has it."""
    path = address.partition("?")[0]
    names = {
        "adhesive": "{factor_key}", "q1": "{contrast_key}", "e1": "{excerpt_key}",
        "t01": "{take_key}", "t04": "{take_key}", "t01.wav": "{take_key}.wav",
        "1": "{order_id}",
    }  # fmt: skip
    return "/".join(names.get(part, part) for part in path.split("/"))


def test_every_route_has_a_row_here():
    """A new route without its row fails."""
    assert {shape(page) for page in PAGES} == routes("GET")
    assert {shape(form) for form in FORMS} == routes("POST")


def test_who_may_open_each_page(ready: Door):
    for page, status in PAGES.items():
        assert ready.get(page).status_code == status, page
        assert ready.get(page, "other_organiser").status_code == 404, page
        away = ready.get(page, "stranger")
        assert away.status_code == 303, page
        assert away.headers["location"].startswith("/desk/sign-in")


def test_nothing_changes_for_others_or_without_the_token(ready: Door):
    before = everything(ready)
    for form, fields in FORMS.items():
        address = ready.made.href + form
        assert ready.post(form, "other_organiser", **fields).status_code == 404, form
        assert ready.post(form, "stranger", **fields).status_code == 303, form
        assert ready.organiser.post(address, data=fields).status_code == 403, form
        wrong = {"csrf": "f" * 64, **fields}
        assert ready.organiser.post(address, data=wrong).status_code == 403, form
        in_header = ready.organiser.post(address, data=fields, headers={"X-CSRF": "f" * 64})
        assert in_header.status_code == 403, form
        files = [("files", ("x.wav", b"RIFF"))]
        assert ready.organiser.post(address, data=fields, files=files).status_code == 403, form
    assert everything(ready) == before


def everything(door: Door) -> list[tuple]:
    with door.made.store.engine.connect() as connection:
        return [
            tuple(row)
            for table in (
                "study",
                "take",
                "factor",
                "excerpt",
                "clip",
                "contrast",
                "plan",
                "drawn_order",
            )
            for row in connection.exec_driver_sql(f"SELECT * FROM {table} ORDER BY id")
        ]


@pytest.mark.parametrize("address", ["/desk/studies", "/desk/studies/new", "/desk/password"])
def test_desk_itself_is_for_organisers(empty: Door, address: str):
    assert empty.organiser.get(address).status_code == 200
    assert empty["stranger"].get(address).status_code == 303


def test_study_that_is_none_is_not_found(empty: Door):
    assert empty.organiser.get("/desk/studies/no-such-study/takes").status_code == 404


class Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.labels: set[str] = set()
        self.fields: list[dict[str, str | None]] = []
        self.wrong: list[str] = []
        self.inside_label = 0

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        if tag == "style" or "style" in given or any(k.startswith("on") for k in given):
            self.wrong.append(self.get_starttag_text())
        if tag == "script" and not given.get("src"):
            self.wrong.append("inline script")
        if tag == "label":
            self.labels.add(given.get("for") or "")
            self.inside_label += 1
        named = "aria-label" in given or self.inside_label
        hidden = given.get("type") == "hidden" or "hidden" in given
        if tag in ("input", "select", "textarea") and not hidden and not named:
            self.fields.append(given)

    def handle_endtag(self, tag):
        self.inside_label -= tag == "label"


def test_pages_carry_no_inline_script_or_style_and_label_every_field(ready: Door):
    read = 0
    for page in PAGES:
        answer = ready.get(page)
        if not answer.headers["content-type"].startswith("text/html") or answer.status_code != 200:
            continue
        read += 1
        reader = Reader()
        reader.feed(answer.text)
        assert reader.wrong == [], page
        unnamed = [field for field in reader.fields if field.get("id") not in reader.labels]
        assert unnamed == [], page
        assert len(re.findall("<h1", answer.text)) == 1, page
    assert read > 10
