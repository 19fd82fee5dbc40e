"""Takes at the desk: several at once, each refused file named, originals byte for byte."""

import re
from urllib.parse import unquote

import pytest
import recordings
from desk_cast import Door

from panel.stages.takes import intake

GOOD = recordings.take(1)


def test_several_files_each_taken_or_refused_by_itself(empty: Door):
    answer = empty.upload(
        ("one.wav", GOOD), ("notes.wav", b"words"), ("two.wav", recordings.take(2))
    )
    assert answer.status_code == 400
    assert "notes.wav" in answer.text
    assert "not a sound file" in answer.text
    names = [take.file_name for take in intake.takes(empty.made.store, empty.made.id)]
    assert names == ["one.wav", "two.wav"]
    assert len(recordings.stored(empty.made)) == 2  # of the refused one nothing


def test_good_files_lead_on_to_the_log(empty: Door):
    answer = empty.upload(("one.wav", GOOD), ("two.wav", recordings.take(2)))
    assert (answer.status_code, answer.headers["location"]) == (303, f"{empty.made.href}/takes")


def test_page_script_gets_an_answer_for_each_file(empty: Door):
    answer = empty.upload(("one.wav", GOOD), json=True)
    assert answer.json() == {
        "files": [
            {
                "file": "one.wav",
                "taken": True,
                "note": "",
                "message": "Kept as take 01.",
                "hint": "",
            }
        ]
    }
    refused = empty.upload(("empty.wav", b""), json=True)
    (entry,) = refused.json()["files"]
    assert not entry["taken"]
    assert "empty" in entry["message"]
    assert entry["hint"]


def test_no_file_is_told(empty: Door):
    assert empty.post("/takes").status_code == 400
    none = empty.organiser.post(
        empty.made.href + "/takes", headers={"X-CSRF": "x", "Accept": "application/json"}
    )
    assert none.status_code == 403


def test_same_file_twice_is_noted_on_the_page(empty: Door):
    empty.upload(("one.wav", GOOD))
    again = empty.upload(("copy.wav", GOOD))
    assert again.status_code == 200
    assert "same file as take 01" in again.text


def test_too_large_upload_is_refused_with_nothing_kept(empty: Door):
    app = empty.organiser.app
    app.state.settings = app.state.settings.model_copy(update={"upload_limit_mib": 1})
    content = recordings.file(recordings.music(seconds=30))
    assert len(content) > 2**20
    answer = empty.upload(("long.wav", content), json=True)
    assert "larger than 1 MiB" in answer.json()["files"][0]["message"]
    assert recordings.stored(empty.made) == set()


@pytest.mark.parametrize(
    "name", ["plain.wav", 'quo"te.wav', "Größe №1.wav", "semi;colon, comma.wav", "%41.wav"]
)
def test_original_is_downloaded_byte_for_byte_under_its_name(empty: Door, name: str):
    intake.add_take(empty.made.store, empty.made.id, name, [GOOD])
    answer = empty.get("/takes/t01/original")
    assert answer.content == GOOD
    disposition = answer.headers["content-disposition"]
    # RFC 6266: a quoted plain name, and the true one as RFC 8187 has it.
    found = re.fullmatch(
        r"attachment; filename=\"([^\"\\]*)\"; filename\*=UTF-8''(\S+)", disposition
    )
    assert found
    assert found.group(1).isascii()
    assert unquote(found.group(2)) == name
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_caution_stands_where_takes_are_logged(empty: Door):
    text = empty.get("/takes").text
    for part in (
        "lethal voltage",
        "long after switch-off",
        "qualified technician",
        "only the recordings",
    ):
        assert part in text


def test_texts_of_people_are_escaped(empty: Door):
    evil = "<script>alert(1)</script>"
    empty.post("", title=evil, question=evil)
    empty.post("/takes/factors", name=evil, kind="named")
    empty.upload((f"{evil}.wav".replace("/", ""), GOOD))
    empty.post("/takes/log", **{
        "t01.label": evil, "t01.order": "1", "t01.script_alert_1_script": evil, "t01.notes": evil,
    })  # fmt: skip
    for page in ("", "/takes", "/takes/t01", "/excerpts", "/contrasts/question", "/plan"):
        text = empty.get(page).text
        assert "<script>alert" not in text, page
    assert "&lt;script&gt;" in empty.get("/takes").text


def cells(text: str) -> dict[str, str]:
    """Name of each cell of the grid -> its class."""
    found = re.findall(r'<td class="(\w+)">\s*<input[^>]*name="(t\d\d\.\w+)"', text)
    return {name: state for state, name in found}


def test_differences_stand_out_and_unlogged_is_named(logged: Door):
    logged.post("/takes/factors", name="hours", kind="numeric", unit="h", tolerance="0,5")
    logged.post("/takes/log", **{"t01.order": "1", "t01.hours": "0"})
    text = logged.get("/takes").text
    states = cells(text)
    assert states["t01.adhesive"] == "same"
    assert states["t02.adhesive"] == "differs"
    assert states["t01.hours"] == "same"
    assert states["t02.hours"] == "unlogged"
    assert "3 cells are not logged yet" in text


def test_grid_is_kept_in_one_go_and_fills_what_is_not_logged(logged: Door):
    logged.post("/takes/factors", name="hours", kind="numeric", unit="h")
    fields = {f"t0{n}.order": str(5 - n) for n in range(1, 5)}
    fields |= {f"t0{n}.adhesive": "hide glue" for n in range(1, 5)}
    fields |= {
        "t01.hours": "30",
        "t02.hours": "",
        "t03.hours": "",
        "t04.hours": "",
        "all.hours": "0",
    }
    assert logged.post("/takes/log", **fields).status_code == 303
    rows = intake.grid(logged.made.store, logged.made.id).rows
    assert [(row.take_id, row.cells[1].text) for row in rows] == [
        ("t04", "0 h"), ("t03", "0 h"), ("t02", "0 h"), ("t01", "30 h"),
    ]  # fmt: skip


def test_specimen_session_and_carrier_are_typed_like_the_rest(logged: Door):
    text = logged.get("/takes").text
    assert 'value="the bench zither"' in text
    heads = re.findall(r'<th scope="col">([^<]+)', text)
    assert [head.strip() for head in heads[:5]] == [
        "take", "specimen", "session", "recorded", "adhesive",
    ]  # fmt: skip
    offered = text.split('<datalist id="values-of-specimen">')[1].split("</datalist>")[0]
    assert re.findall(r'value="([^"]+)"', offered) == ["H-1", "E-1", "E-2", "H-2"]
    fields = {f"t0{n}.order": str(n) for n in range(1, 5)}
    fields |= {"t02.of-specimen": "", "t03.of-specimen": "  E   2 ", "all.of-specimen": "E-9"}
    fields |= {"t01.in-session": "", "carrier": " the one  zither "}
    assert logged.post("/takes/log", **fields).status_code == 303
    grid = intake.grid(logged.made.store, logged.made.id)
    # What was cleared is not logged; what no field was sent of stays.
    assert [take.specimen for take in grid.takes] == ["H-1", "", "E 2", "H-2"]
    assert [take.session for take in grid.takes] == ["", "2 May", "2 May", "2 May"]
    assert grid.carrier == "the one zither"
    assert grid.unlogged == 2
    assert (
        logged.post(
            "/takes/log", **{"t02.order": "2", "t02.of-specimen": "", "all.of-specimen": "E-9"}
        ).status_code
        == 303
    )
    assert intake.grid(logged.made.store, logged.made.id).takes[1].specimen == "E-9"


def test_what_is_wrong_in_the_log_is_said_above_it(logged: Door):
    logged.post("/takes/log", **{"t03.order": "3", "t03.of-specimen": "e 1"})
    text = logged.get("/takes").text
    assert "“E-1” and “e 1” count as two specimens" in text
    assert "write its name in one way" in text


def test_a_name_that_is_too_long_keeps_everything_as_it_was(logged: Door):
    fields = {"t01.order": "1", "t01.of-specimen": "H" * 81, "carrier": "another"}
    answer = logged.post("/takes/log", **fields)
    assert answer.status_code == 400
    assert "longer than 80 characters" in answer.text
    assert 'value="another"' in answer.text
    grid = intake.grid(logged.made.store, logged.made.id)
    assert grid.carrier == "the bench zither"
    assert grid.takes[0].specimen == "H-1"


@pytest.mark.parametrize("name", ["Specimen", " session "])
def test_a_specimen_is_no_factor(logged: Door, name: str):
    answer = logged.post("/takes/factors", name=name, kind="named")
    assert answer.status_code == 400
    assert "its own column" in answer.text


def test_wrong_cell_keeps_what_was_typed_on_the_page(logged: Door):
    logged.post("/takes/factors", name="hours", kind="numeric")
    answer = logged.post(
        "/takes/log", **{"t01.order": "1", "t01.hours": "many", "t01.notes": "chair creaks"}
    )
    assert answer.status_code == 400
    assert "is no number" in answer.text
    assert 'value="many"' in answer.text
    assert 'value="chair creaks"' in answer.text


@pytest.mark.parametrize(
    "fields",
    [{"start": "", "end": "2"}, {"start": "a", "end": "2"}, {"start": "2", "end": "1"},
     {"start": "0", "end": "99"}, {"start": "inf", "end": "nan"}],
    ids=str,
)  # fmt: skip
def test_wrong_excerpt_is_refused_and_stays_in_the_fields(logged: Door, fields: dict):
    answer = logged.post("/excerpts", **fields)
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text
    for value in fields.values():
        assert f'value="{value}"' in answer.text


def test_excerpt_is_marked_with_a_decimal_comma_and_drawn(logged: Door):
    assert logged.post("/excerpts", start="0,25", end="1,75", label="opening").status_code == 303
    text = logged.get("/excerpts").text
    assert "opening" in text
    takes = len(intake.takes(logged.made.store, logged.made.id))
    assert text.count('class="marked"') == 2 * takes
