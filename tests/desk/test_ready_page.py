"""The page of the check list, and the cautions wherever takes and their sound are handled."""

import html
import re

import pytest
from desk_cast import Door

from panel.stages.clips import prepare
from panel.stages.takes import intake


def words(page: object) -> str:
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.text)))


def test_every_line_shows_its_state_in_words(logged: Door):
    page = logged.get("/clips/ready")
    shown = re.findall(r'<span class="state">([^<]+)</span>', page.text)
    assert len(shown) == 8
    assert set(shown) <= {"ready", "look at this", "cannot"}
    assert {"ready", "look at this"} <= set(shown)
    assert "Look at this: the takes can be used" in words(page)
    assert "adhesive: hide glue or epoxy" in words(page)


def test_it_says_so_at_the_head_when_the_takes_cannot(empty: Door):
    assert "Cannot, as they stand." in words(empty.get("/clips/ready"))


@pytest.mark.parametrize("where", ["/clips", "/contrasts"])
def test_it_is_offered_where_it_is_needed(ready: Door, where: str):
    assert f'href="{ready.made.href}/clips/ready"' in ready.get(where).text


@pytest.mark.parametrize(
    ("where", "danger"),
    [
        ("/takes", "lethal voltage"), ("/clips/ready", "lethal voltage"),
        ("/contrasts/measured", "can kill"), ("/excerpts", "begin low"), ("/clips", "begin low"),
    ],
)  # fmt: skip
def test_cautions_stand_where_takes_and_their_sound_are_handled(
    ready: Door, where: str, danger: str
):
    page = words(ready.get(where))
    assert danger in page
    if danger != "begin low":
        assert "qualified" in page
        assert re.search("(by|local) (the )?rules", page)


def test_the_measured_page_has_sentences_pictures_and_tables(ready: Door):
    prepare.prepare(ready.made.store, ready.made.id)
    got = ready.get("/contrasts/measured")
    page = got.text
    pictures = re.findall(r"<svg[^>]*role=\"img\".*?</svg>", page, re.S)
    assert len(pictures) == 4  # two figures, each wide and narrow
    for picture in pictures:
        assert re.search(r"<title[^>]*>[^<]+</title><desc[^>]*>[^<]+</desc>", picture)
    assert page.count("<details>") == page.count("<table>") == 2
    assert "under the signal is left across the conditions" in words(got)


def test_the_measured_page_says_what_is_missing_where_no_excerpt_is_marked(ready: Door):
    intake.remove_excerpt(ready.made.store, ready.made.id, "e1")
    got = ready.get("/contrasts/measured")
    assert got.status_code == 200
    assert "No excerpt is marked" in words(got)
    assert "Mark an excerpt" in words(got)
