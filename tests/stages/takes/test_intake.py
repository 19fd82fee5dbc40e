"""Takes in: kept unchanged, or refused in a sentence with nothing left behind."""

import hashlib
import struct

import numpy as np
import pytest
import recordings
from recordings import RATE, Made

from panel.errors import BadInput, Conflict, NotFound, PanelError, TooLarge
from panel.stages.clips import prepare
from panel.stages.contrasts import asked
from panel.stages.plan import lock
from panel.stages.takes import intake
from panel.stages.takes.intake import Limits


def add(made: Made, content: bytes, name: str = "take.wav", **more) -> intake.TakeView:
    return intake.add_take(made.store, made.id, name, [content], **more)


def nan_file() -> bytes:
    sound = recordings.music()
    sound[1234] = np.nan
    return recordings.file(sound, words="FLOAT")


def eight_hours() -> bytes:
    """A FLAC file that lasts eight hours and is small: silence compresses well."""
    head = bytearray(recordings.file(np.zeros(RATE), kind="FLAC", words="PCM_16"))
    # STREAMINFO: 36 bits of total samples end 4 bytes before the MD5 (RFC 9639, section 8.2).
    total = 8 * 3600 * RATE
    head[21] = head[21] & 0xF0 | total >> 32
    head[22:26] = struct.pack(">I", total & 0xFFFFFFFF)
    return bytes(head)


BAD = {
    "empty file": (b"", "empty"),
    "text named .wav": (b"just words, no sound at all\n" * 40, "not a sound file"),
    "script for the decoder": (b"ffconcat version 1.0\nfile '/etc/hostname'\n", "not a sound"),
    "truncated FLAC": (
        recordings.file(recordings.music(), kind="FLAC")[: RATE * 2],
        "damaged|cut short",
    ),
    "truncated WAV": (recordings.take()[: RATE * 3], "cut short|damaged"),
    "samples that are no numbers": (nan_file(), "not numbers"),
    "seven channels": (recordings.file(np.tile(recordings.music()[:, None], 7)), "7 channels"),
    "zero frames": (recordings.file(np.zeros(0)), "no sound|zero"),
    "eight hours": (eight_hours(), "lasts|cut short|damaged"),
}


@pytest.mark.parametrize(("content", "words"), BAD.values(), ids=BAD)
def test_refused_file_is_told_in_a_sentence_and_leaves_nothing(
    empty: Made, content: bytes, words: str
):
    before = recordings.stored(empty)
    with pytest.raises((BadInput, TooLarge), match=words) as refused:
        add(empty, content, "my take.wav")
    assert "my take.wav" in refused.value.message  # which file
    assert refused.value.hint  # what now
    assert 400 <= refused.value.status < 500
    assert recordings.stored(empty) == before
    assert intake.takes(empty.store, empty.id) == ()


def test_refusing_a_copy_does_not_take_the_original_away(empty: Made):
    """The same bytes may be another take already: they must survive a refusal."""
    kept = add(empty, recordings.take())
    with pytest.raises(BadInput, match="called"):
        add(empty, recordings.take(), label=kept.label)
    path, _ = intake.original(empty.store, empty.id, kept.key)
    assert path.read_bytes() == recordings.take()


def test_too_large_file_is_refused_while_it_comes(empty: Made):
    taken = 0

    def endless():
        nonlocal taken
        while True:
            taken += 1
            yield bytes(1024)

    with pytest.raises(TooLarge):
        intake.add_take(empty.store, empty.id, "x.wav", endless(), limits=Limits(bytes=100 * 1024))
    assert taken < 200
    assert recordings.stored(empty) == set()


def test_too_long_take_is_refused_by_the_settings_limit(empty: Made):
    with pytest.raises(TooLarge, match="minutes"):
        add(empty, recordings.take(), limits=Limits(seconds=2.0))
    assert recordings.stored(empty) == set()


@pytest.mark.parametrize(
    ("kind", "words", "bits"),
    [("WAV", "PCM_16", 16), ("WAV", "PCM_24", 24), ("WAV", "FLOAT", 32), ("FLAC", "PCM_24", 24),
     ("AIFF", "PCM_24", 24)],
)  # fmt: skip
def test_original_comes_back_byte_for_byte(empty: Made, kind: str, words: str, bits: int):
    content = recordings.file(recordings.music(), kind=kind, words=words)
    pieces = [content[i : i + 999] for i in range(0, len(content), 999)]
    view = intake.add_take(empty.store, empty.id, "Zither №1.wav", pieces)
    path, name = intake.original(empty.store, empty.id, view.key)
    assert path.read_bytes() == content
    assert name == "Zither №1.wav"
    assert view.sha256 == hashlib.sha256(content).hexdigest()
    assert (view.rate, view.channels, view.seconds) == (RATE, 1, 3.0)
    assert view.kind.startswith(f"{kind} {bits}-bit")
    assert not view.lossy


def test_lossy_file_is_named_as_such(empty: Made):
    view = add(empty, recordings.file(recordings.music(), kind="OGG", words="VORBIS"), "t.ogg")
    assert view.lossy


@pytest.mark.parametrize(
    ("sent", "kept"),
    [("C:\\takes\\one.wav", "one.wav"), ("../../etc/passwd", "passwd"), ("a\r\nb.wav", "ab.wav"),
     ("", "take")],
)  # fmt: skip
def test_file_name_is_only_a_name(empty: Made, sent: str, kept: str):
    assert add(empty, recordings.take(), sent).file_name == kept


def test_same_file_twice_is_noted(empty: Made):
    first, second = add(empty, recordings.take()), add(empty, recordings.take())
    assert (first.same_as, second.same_as) == ("", first.label)
    assert len(recordings.stored(empty)) == 1


def test_overview_covers_the_take_and_holds_its_extremes(empty: Made):
    sound = np.zeros(RATE * 2)
    sound[RATE : RATE + 100] = 0.5
    sound[RATE + 200] = -0.75
    picture = add(empty, recordings.file(sound)).overview
    assert picture.seconds == 2.0
    middle = len(picture.highest) // 2
    assert max(picture.highest) == pytest.approx(0.5, abs=1e-3)
    assert min(picture.lowest) == pytest.approx(-0.75, abs=1e-3)
    assert max(picture.highest[: middle - 2]) == pytest.approx(0.0, abs=1e-3)


def test_loudness_of_a_tone_is_what_the_standard_says(empty: Made):
    # ITU-R BS.1770-5, annex 1: a full-scale 997 Hz sine in one channel reads -3.01 LKFS;
    # 20 dB under full scale therefore -23.01.
    t = np.arange(48_000 * 3) / 48_000
    content = recordings.file(0.1 * np.sin(2 * np.pi * 997 * t), rate=48_000)
    assert add(empty, content).loudness_lufs == pytest.approx(-23.01, abs=0.02)


def test_silent_take_has_no_loudness(empty: Made):
    assert add(empty, recordings.file(np.zeros(RATE))).loudness_lufs is None


def test_takes_are_numbered_in_the_order_they_came(empty: Made):
    for number in range(3):
        add(empty, recordings.take(number))
    views = intake.takes(empty.store, empty.id)
    assert [(v.key, v.label, v.recorded_order) for v in views] == [
        ("t01", "01", 1),
        ("t02", "02", 2),
        ("t03", "03", 3),
    ]


def test_removed_take_goes_with_its_file_and_clips(logged: Made):
    prepare.prepare(logged.store, logged.id)
    before = recordings.stored(logged)
    intake.remove_take(logged.store, logged.id, "t04")
    gone = before - recordings.stored(logged)
    assert sorted(name.split("/")[0] for name in gone) == ["clip", "original"]
    assert [v.key for v in intake.takes(logged.store, logged.id)] == ["t01", "t02", "t03"]
    with pytest.raises(NotFound):
        intake.remove_take(logged.store, logged.id, "t04")


def test_removing_one_of_two_copies_keeps_the_bytes(empty: Made):
    add(empty, recordings.take())
    add(empty, recordings.take())
    intake.remove_take(empty.store, empty.id, "t01")
    path, _ = intake.original(empty.store, empty.id, "t02")
    assert path.read_bytes() == recordings.take()


def test_take_in_a_contrast_is_not_removed(logged: Made):
    recordings.ask(logged)
    with pytest.raises(Conflict, match="Stiffer adhesive"):
        intake.remove_take(logged.store, logged.id, "t01")


def test_locked_study_takes_nothing_more(ready: Made):
    lock.lock(ready.store, ready.id)
    before = recordings.stored(ready)
    for change in (
        lambda: add(ready, recordings.take(9)),
        lambda: intake.remove_take(ready.store, ready.id, "t04"),
    ):
        with pytest.raises(Conflict, match="locked"):
            change()
    assert recordings.stored(ready) == before


@pytest.mark.parametrize("nth", range(1, 5))
def test_half_an_upload_is_never_kept(empty: Made, monkeypatch, nth: int):
    """The n-th write to the database fails: then the take is there whole, or not at all."""
    from sqlalchemy import event

    count = 0

    @event.listens_for(empty.store.engine, "before_cursor_execute")
    def fail(connection, cursor, statement, *_):
        nonlocal count
        if statement.startswith(("INSERT", "BEGIN", "COMMIT")):
            count += 1
            if count == nth:
                raise OSError("disk full")

    try:
        add(empty, recordings.take())
    except (OSError, PanelError):
        event.remove(empty.store.engine, "before_cursor_execute", fail)
        assert intake.takes(empty.store, empty.id) == ()
        assert add(empty, recordings.take()).key == "t01"  # and it works the second time
    else:
        assert count < nth
        assert len(intake.takes(empty.store, empty.id)) == 1


def test_missing_original_is_told(empty: Made):
    view = add(empty, recordings.take())
    path, _ = intake.original(empty.store, empty.id, view.key)
    path.unlink()
    with pytest.raises(NotFound, match="missing"):
        intake.original(empty.store, empty.id, view.key)


def test_every_place_of_a_good_file_broken_gives_a_take_or_a_refusal(empty: Made):
    good = recordings.file(recordings.music(seconds=0.6), words="PCM_16")
    taken = refused = 0
    for place in (*range(0, 48, 2), len(good) // 2):
        for limit in (good[:place], good[:place] + b"\xff" + good[place + 1 :]):
            try:
                view = add(empty, limit, "broken.wav")
            except PanelError as error:
                refused += error.status < 500
            else:
                taken += 1
                intake.remove_take(empty.store, empty.id, view.key)
            assert recordings.stored(empty) == set()
    assert taken > 0
    assert refused + taken == 50
    assert refused > 20


def test_other_studies_takes_are_out_of_reach(logged: Made):
    from panel.stages import studies

    other = studies.create(logged.store, logged.organiser, "Other", "Other?")
    other_id = studies.overview(logged.store, logged.organiser, other).id
    for reach in (intake.original, intake.take, intake.remove_take):
        with pytest.raises(NotFound):
            reach(logged.store, other_id, "t01")
    assert asked.contrasts(logged.store, other_id) == ()
