"""From making the leader at the desk to clips prepared by it, through equipment that ages."""

import re
import time

import numpy as np
import pytest
import simulated_chain as chain
from desk_cast import Door, token

from panel.audio.leader import signal
from panel.audio.reading.stretches import in_memory
from panel.stages.clips import prepare as preparing
from panel.stages.takes import intake

HOURS = (0, 10, 20, 40)
CORNERS = (100.0, 120.0, 140.0, 180.0)
SECOND = 0.04
HUM = (50.0, 2e-4)
NOISE = 2e-5
DELAYS = (600.0, 5000.5, 12.25, 2222.75)


def made(door: Door, music: bytes | None = None, **fields: str):
    files = {"music": ("my & music.wav", music)} if music is not None else None
    data = {"csrf": token(door.organiser), "rate": "", "length": "usual", **fields}
    return door.organiser.post(door.made.href + "/leader", data=data, files=files)


def table(page: str, title: str) -> list[list[str]]:
    """The rows behind the picture with that title."""
    part = page.split(f"<h4>{title}</h4>")[1].split("</figure>")[0]
    body = part.split("<tbody>")[1].split("</tbody>")[0]
    plain = lambda cell: re.sub(r"<[^>]+>", "", cell).replace("\xa0", " ").replace("−", "-")  # noqa: E731
    return [
        [plain(cell) for cell in re.findall(r"<t[hd][^>]*>.*?</t[hd]>", row, re.S)]
        for row in body.split("</tr>")
        if "<t" in row.replace("<tr>", "")
    ]


def number(cell: str) -> float:
    return float(cell.split()[0])


def low_cut_db(hz: float, corner: float) -> float:
    """First-order low cut: -10 lg(1 + (fc / f)^2), any handbook of circuits."""
    return -10 * np.log10(1 + (corner / hz) ** 2)


def test_make_play_record_upload_look_and_prepare(empty: Door):
    page = empty.get("/leader").text
    for caution in ("<b>Hearing:</b>", "voltages can kill", "qualified technician"):
        assert caution in page
    assert f'<a href="{empty.made.href}/leader">' in empty.get("/takes").text
    answer = made(empty, chain.wav(chain.music()), length="short")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "audio/wav"
    assert 'filename="leader-short-48000.wav"' in answer.headers["content-disposition"]
    played, rate = chain.opened(answer.content)
    assert rate == chain.RATE
    # The recording follows unchanged, but for the 24 bits it is written with.
    music_at = round(signal.LAYOUTS["short"].music_at_s * rate)
    assert played[music_at:, 0] == pytest.approx(chain.music(), abs=3 * 2**-23)

    takes = [
        chain.heard(
            played[:, 0], corner_hz=corner, second=SECOND, hum=HUM, noise=NOISE, delay=delay,
            seed=i,
        )
        for i, (corner, delay) in enumerate(zip(CORNERS, DELAYS, strict=True))
    ]  # fmt: skip
    assert empty.upload(*((f"take {i}.wav", chain.wav(t)) for i, t in enumerate(takes, 1))
                        ).status_code == 303  # fmt: skip
    listed = empty.get("/takes").text
    assert "4 of 4 takes begin with the leader" in listed
    assert "music from 11.51 s" in listed
    assert "the music begins 11.51" in empty.get("/takes/t01").text

    empty.post("/takes/factors", name="hours", kind="numeric", unit="h", tolerance="0")
    keys = [take.key for take in intake.takes(empty.made.store, empty.made.id)]
    grid = {f"{key}.hours": str(hours) for key, hours in zip(keys, HOURS, strict=True)}
    grid |= {f"{key}.order": str(i) for i, key in enumerate(keys, 1)}
    grid |= {f"{key}.label": f"{i:02d}" for i, key in enumerate(keys, 1)}
    assert empty.post("/takes/log", **grid).status_code == 303

    page = empty.get("/leader/told").text
    assert page.count('role="img"') == 2 * (1 + 4 + 4)  # wide and narrow: response, takes, hours
    bands = table(page, "Response over hours (h)")
    assert [row[1] for row in bands] == [str(hours) for hours in HOURS]
    for row, corner in zip(bands, CORNERS, strict=True):
        for cell, hz in zip(row[2:], (40.0, 160.0, 1000.0, 5000.0, 15000.0), strict=True):
            expected = low_cut_db(hz, corner) - low_cut_db(hz, CORNERS[0])
            assert number(cell) == pytest.approx(expected, abs=0.05)
    response = table(page, "Response of the equipment")
    assert len(response) == 4
    for row, corner in zip(response, CORNERS, strict=True):
        at_1k = number(row[6])
        assert number(row[3]) - at_1k == pytest.approx(
            low_cut_db(125, corner) - low_cut_db(1000, corner), abs=0.05
        )
    # y = x + b x^2: second harmonic b A / 2 of the fundamental; the low cut then takes from
    # both, at 2 kHz and at 1 kHz.
    played_peak = np.abs(played[:music_at]).max()
    for row, corner in zip(table(page, "Distortion over hours (h)"), CORNERS, strict=True):
        expected = 20 * np.log10(SECOND * played_peak / 2)
        expected += low_cut_db(2000, corner) - low_cut_db(1000, corner)
        assert number(row[2]) == pytest.approx(expected, abs=0.2)
    for row in table(page, "Noise and hum over hours (h)"):
        assert number(row[2]) == pytest.approx(20 * np.log10(NOISE), abs=0.2)
        assert number(row[3]) == pytest.approx(20 * np.log10(HUM[1] / np.sqrt(2)), abs=0.2)
    assert page.count("(50 Hz)<") == 4
    assert "Over hours (h), from 0 to 40." in page  # the pictures' alternative text

    empty.post("/excerpts", start="0.5", end="3.5")
    assert empty.post("/clips", level="matched").status_code == 303
    for _ in range(300):
        if not empty.get("/clips/progress").json()["running"]:
            break
        time.sleep(0.1)
    clips = preparing.clips(empty.made.store, empty.made.id)
    assert [clip.take_key for clip in clips] == keys
    assert max(abs(clip.drift_ppm) for clip in clips) < 0.5
    # Cut to the music at a whole sample, only a part of one is left to align, and the little
    # that the low cut itself delays the music by.
    assert max(abs(clip.delay_samples) for clip in clips) < 1.5


def test_leader_alone_at_a_chosen_rate(empty: Door):
    answer = made(empty, rate="44100", length="long")
    samples, rate = chain.opened(answer.content)
    assert rate == 44_100
    assert len(samples) == round(signal.LAYOUTS["long"].music_at_s * rate)
    with_nothing_chosen = made(empty, b"", rate="44100")
    assert with_nothing_chosen.status_code in (200, 400)


@pytest.mark.parametrize(
    ("music", "fields", "sentence"),
    [
        (None, {"rate": "8000"}, "A leader cannot be made at 8,000 Hz"),
        (None, {"rate": "fast"}, "“fast” is no sample rate"),
        (None, {"length": "endless"}, "There is no leader of the length “endless”"),
        (b"no sound at all", {}, "“my &amp; music.wav”"),
        (chain.wav(np.zeros(48_000)), {}, "The recording to append is silent"),
    ],
)
def test_what_cannot_be_made_is_told_on_the_page(empty: Door, music, fields, sentence):
    answer = made(empty, music, **fields)
    assert answer.status_code == 400
    assert sentence in answer.text
    assert "<b>Hearing:</b>" in answer.text


def test_take_without_the_leader_is_named_on_the_pages_and_stops_the_clips(empty: Door):
    played = signal.make(chain.RATE, chain.music()[:, None], signal.LAYOUTS["short"]).samples[:, 0]
    empty.upload(("a.wav", chain.wav(played)), ("b.wav", chain.wav(chain.music())))
    empty.post("/excerpts", start="0.5", end="2.5")
    for path in ("/takes", "/leader/told"):
        assert "The leader is missing in take 02" in empty.get(path).text
    stopped = empty.post("/clips", level="matched")
    assert stopped.status_code == 400
    assert "The leader is missing in take 02" in stopped.text
    assert "are aligned by the music alone" in stopped.text
    kept = empty.post("/leader/alignment", alignment="music")
    assert kept.status_code == 303
    assert "missing in take 02" not in empty.get("/leader/told").text
    assert empty.post("/clips", level="matched").status_code == 303


def test_refused_upload_says_why(empty: Door):
    played = signal.make(chain.RATE, None, signal.LAYOUTS["short"]).samples[:, 0]
    (entry,) = empty.upload(("a.wav", chain.wav(played[: 5 * chain.RATE])), json=True).json()[
        "files"
    ]
    assert not entry["taken"]
    assert "ends in the leader's sweep" in entry["message"].replace("’", "'")
    assert "record it again" in entry["hint"]


def test_pages_without_any_leader_and_for_others(logged: Door):
    assert "No take has a leader" in logged.get("/leader/told").text
    for path in ("/leader", "/leader/told"):
        assert logged.get(path, "other_organiser").status_code == 404
        assert logged.get(path, "stranger").status_code == 303
    assert logged.post("/leader/alignment", "other_organiser", alignment="music").status_code == 404


def test_report_shows_what_the_leader_measured_once_the_study_is_closed(tmp_path):
    from sqlmodel import select
    from voting_cast import desk_in, fewer_wanted, vote

    from panel.audio.leader import find, measured
    from panel.stages.conclude import ending
    from panel.store.tables import FoundLeader, Take
    from panel.study.shapes import written

    desk = desk_in(tmp_path, procedures=("abx",), listeners=1, votes=2)
    fewer_wanted(desk.store, desk.study, 1)
    played = signal.make(chain.RATE, None, signal.LAYOUTS["short"]).samples[:, 0]
    with desk.store.session() as s:
        for number, take in enumerate(s.exec(select(Take).order_by(Take.key)).all()):
            heard = chain.heard(played, corner_hz=100.0 + 20 * number)[:, None]
            found = find.find(heard, chain.RATE)
            told = measured.of_take(in_memory(heard, chain.RATE), found)
            s.add(
                FoundLeader(
                    take_id=take.id, start=found.start, drift_ppm=0.0, inverted=False,
                    likeness=found.likeness, layout="short",
                    channels=[written(one) for one in told],
                )
            )  # fmt: skip
        s.commit()
    report = desk.href("/verdict/report")
    assert desk.organiser.get(report).status_code == 403
    vote(desk.store, desk.study.links[0])
    ending.close(desk.store, desk.study.id)
    page = desk.organiser.get(report).text
    assert "What the leader measured" in page
    for title in ("Response of the equipment", "Distortion over order of recording"):
        assert f"<h3>{title}</h3>" in page
