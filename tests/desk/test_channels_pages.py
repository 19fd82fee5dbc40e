"""A file with four channels at the desk: asked which two, and what is chosen is the take."""

import numpy as np
import recordings
from desk_cast import Door

from panel.stages.takes import intake


def four() -> bytes:
    music = recordings.music()
    return recordings.file(np.stack([0.5 * music, 0 * music, music, 0.25 * music], axis=1))


def test_the_organiser_is_asked_which_two_and_they_become_the_take(empty: Door):
    answer = empty.upload(("field & hall.wav", four()))
    assert answer.status_code == 200
    assert "it has 4 channels" in answer.text
    assert f'<a href="{empty.made.href}/takes/waiting/1">' in answer.text
    page = empty.get("/takes/waiting/1").text
    assert "field &amp; hall.wav" in page
    for number in range(1, 5):
        assert f"<b>Channel&nbsp;{number}</b>" in page
    assert page.count('<svg viewBox="0 0 1000 90"') == 4
    assert page.count("silent") == 1
    # Levels by closed form: the third is twice the first, 6.02 dB.
    third = 20 * np.log10(np.sqrt(np.square(recordings.music()).mean()))
    for level in (third, third - 6.02):
        assert f"{level:.1f}".replace("-", "−") + "\N{NO-BREAK SPACE}dB RMS" in page
    chosen = empty.post("/takes/waiting/1", left="3", right="1")
    assert (chosen.status_code, chosen.headers["location"]) == (
        303,
        f"{empty.made.href}/takes#waiting",
    )
    (take,) = intake.takes(empty.made.store, empty.made.id)
    assert take.kept_channels == (3, 1)
    listed = empty.get("/takes").text
    assert "channels 3 and 1" in listed
    assert "Channels to choose" not in listed
    assert "channel 3 of the file left, channel 1 right" in empty.get("/takes/t01").text
    assert empty.get("/takes/t01/original").content == four()


def test_one_channel_is_a_take_in_mono(empty: Door):
    empty.upload(("four.wav", four()))
    empty.post("/takes/waiting/1", left="4", right="")
    (take,) = intake.takes(empty.made.store, empty.made.id)
    assert (take.kept_channels, take.channels) == ((4,), 1)


def test_page_script_is_told_that_a_choice_is_due(empty: Door):
    (entry,) = empty.upload(("four.wav", four()), json=True).json()["files"]
    assert entry["taken"]
    assert "4 channels" in entry["message"]
    assert "choose" in entry["note"]


def test_wrong_choice_is_told_and_what_was_chosen_stays(empty: Door):
    empty.upload(("four.wav", four()))
    for fields, words in (
        ({"left": "2", "right": "2"}, "both left and right"),
        ({"left": "", "right": "2"}, "No channel was chosen"),
        ({"left": "9", "right": ""}, "not 9"),
    ):
        answer = empty.post("/takes/waiting/1", **fields)
        assert answer.status_code == 400
        assert words in answer.text
    assert '<option value="2" selected>' in empty.post("/takes/waiting/1", left="2", right="2").text
    assert intake.takes(empty.made.store, empty.made.id) == ()


def test_the_file_can_be_removed(empty: Door):
    empty.upload(("four.wav", four()))
    assert empty.post("/takes/waiting/1/discard").status_code == 303
    assert recordings.stored(empty.made) == set()
    assert empty.get("/takes/waiting/1").status_code == 404


def test_only_its_organiser_gets_there(empty: Door):
    empty.upload(("four.wav", four()))
    for who in ("other_organiser", "stranger"):
        assert empty.get("/takes/waiting/1", who=who).status_code in (303, 404)
        assert empty.post("/takes/waiting/1", who=who, left="1", right="").status_code in (
            303,
            403,
            404,
        )
        assert empty.post("/takes/waiting/1/discard", who=who).status_code in (303, 403, 404)
    unsigned = empty.organiser.post(empty.made.href + "/takes/waiting/1", data={"left": "1"})
    assert unsigned.status_code == 403
    assert "field" not in empty.get("/takes/waiting/1", who="stranger").text
    assert intake.takes(empty.made.store, empty.made.id) == ()
    assert len(recordings.stored(empty.made)) == 1
