"""The overview of a take in words and as a table: from a picture whose truth is known."""

import re
from dataclasses import replace

import pytest
from desk_cast import Door

from panel.desk import pictures
from panel.study.overview import Overview

MINUS = "\N{MINUS SIGN}"
# 100 columns over 10 s: silence to 2 s, a tenth of full scale to 8 s, a half at 5.05 s.
PEAKS = [0.0] * 20 + [0.1] * 60 + [0.0] * 20
PEAKS[50] = 0.5
PICTURE = Overview(
    tuple(-peak for peak in PEAKS), tuple(PEAKS), tuple(0.5 * p for p in PEAKS), seconds=10.0
)


def test_words_say_where_it_sounds_and_peaks():
    said = pictures.in_words(PICTURE)
    assert "from 2.0 to 8.0 s" in said
    assert f"peaks at 5.0 s with {MINUS}6 dBFS" in said.replace("5.1", "5.0")
    quiet = replace(PICTURE, lowest=(0.0,) * 100, highest=(0.0,) * 100)
    assert pictures.in_words(quiet) == "Silent, 10.0 s."


def test_the_table_has_the_level_of_each_stretch():
    # 20 log10(0.05) = -26 dB; silence is below what the picture resolves; after 10 s nothing.
    cells = pictures.levels(PICTURE, [0.0, 2.0, 4.0, 8.5, 12.0, 14.0])
    assert cells[:2] == [f"under {MINUS}80", f"{MINUS}26"]
    assert cells[3:] == [f"under {MINUS}80", ""]


def test_every_overview_on_the_page_has_words_and_a_row_in_the_table(logged: Door):
    page = logged.get("/excerpts").text
    labels = re.findall(r'<svg[^>]*role="img"[^>]*aria-label="([^"]+)"', page)
    assert len(labels) == 4
    assert all("peaks at" in label for label in labels)
    table = page[page.index("The pictures as a table") :]
    assert len(re.findall(r'<th scope="row">', table[: table.index("</table>")])) == 4


@pytest.mark.parametrize("where", ["/excerpts?change=e1", "/excerpts?change=e9", "/excerpts"])
def test_a_marked_excerpt_is_put_into_the_form_to_be_moved(logged: Door, where: str):
    page = logged.get(where).text
    moving = where.endswith("e1")
    assert ("Move the excerpt" in page) == moving
    assert ('name="key" value="e1"' in page) == moving


def test_the_form_moves_the_excerpt_whose_key_it_has(logged: Door):
    moved = logged.post("/excerpts", key="e1", start="0.25", end="2", label="Bridge")
    assert moved.status_code == 303
    page = logged.get("/excerpts").text
    assert "Bridge" in page
    assert page.count("/remove") == 1
    refused = logged.post("/excerpts", key="e9", start="0.25", end="2", label="")
    assert refused.status_code == 404
