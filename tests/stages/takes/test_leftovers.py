"""What a dying server leaves behind goes at the next start; what is known, or young, stays."""

import os
import time
from pathlib import Path

import numpy as np
import pytest
import recordings
from recordings import Made
from starlette.testclient import TestClient

from panel import doctor
from panel.app import create_app
from panel.audio.reading import decode
from panel.stages.takes import channel_choice, intake, leftovers
from panel.stages.takes.intake import Limits
from panel.store.opening import open_store

WEEK = 7 * 86_400


def files(made: Made) -> set[Path]:
    parts = ("original", "clip", "incoming")
    return {p for part in parts for p in (made.settings.data / part).rglob("*") if p.is_file()}


def age(made: Made, seconds: float) -> None:
    for path in files(made):
        os.utime(path, (time.time() - seconds,) * 2)


def dies(made: Made, monkeypatch, content: bytes) -> None:
    """An upload whose server is killed while it decodes: nothing after that point is run."""

    def killed(*_: object, **__: object) -> None:
        raise SystemExit

    monkeypatch.setattr(decode, "probe", killed)
    monkeypatch.setattr(intake, "drop", lambda *_: None)
    with pytest.raises(SystemExit):
        intake.add_take(made.store, made.id, "lost.wav", [content])
    monkeypatch.undo()


def test_sweep_takes_what_nothing_refers_to_and_nothing_else(ready: Made, monkeypatch):
    four = recordings.file(np.stack([recordings.music()] * 4, axis=1))
    channel_choice.take_or_wait(ready.store, ready.id, "four.wav", [four], limits=Limits())
    kept = files(ready)
    assert leftovers.sweep(ready.store, age_s=0) == leftovers.Leftovers(0, 0)
    content = recordings.take(99)
    dies(ready, monkeypatch, content)
    ready.store.files.write("clip/1/t01-e9-aaaa.npy", b"of a preparation that died")
    (ready.settings.data / "incoming").mkdir(exist_ok=True)
    (ready.settings.data / "incoming" / "half").write_bytes(b"of an upload that broke off")
    lost = files(ready) - kept
    foreign = ready.settings.data / "incoming" / "a note of mine.txt"
    foreign.write_text("not ours")
    kept |= {foreign}
    assert len(lost) == 3
    size = sum(path.stat().st_size for path in lost)
    assert size > len(content)
    assert leftovers.find(ready.store) == leftovers.Leftovers(3, size)
    assert leftovers.sweep(ready.store) == leftovers.Leftovers(0, 0)  # all of it is young
    age(ready, WEEK - 600)
    assert leftovers.sweep(ready.store).files == 0
    age(ready, WEEK + 600)
    assert leftovers.sweep(ready.store) == leftovers.Leftovers(3, size)
    assert files(ready) == kept
    for take in intake.takes(ready.store, ready.id):
        intake.original(ready.store, ready.id, take.key)


def test_the_server_sweeps_when_it_starts_and_doctor_tells_before(empty: Made, monkeypatch):
    intake.add_take(empty.store, empty.id, "kept.wav", [recordings.take(1)])
    kept = files(empty)

    def told() -> str:
        (finding,) = (f for f in doctor.examine(empty.settings.data) if f.what == "leftover files")
        assert finding.well
        return finding.found + " " + finding.advice

    assert told() == "none "
    dies(empty, monkeypatch, recordings.take(2))
    assert told().startswith("1 that no study refers to, 0.1 MiB")
    assert "when it starts" in told()
    with TestClient(create_app(empty.settings)):
        assert len(files(empty)) == len(kept) + 1  # too young
    age(empty, 2 * WEEK)
    with TestClient(create_app(empty.settings)):
        assert files(empty) == kept
    assert told() == "none "


def test_the_same_bytes_sent_again_are_young_again(empty: Made, monkeypatch):
    dies(empty, monkeypatch, recordings.take(1))
    age(empty, 2 * WEEK)
    intake.add_take(empty.store, empty.id, "again.wav", [recordings.take(1)])
    assert leftovers.sweep(empty.store).files == 0
    assert intake.original(empty.store, empty.id, "t01")[0].is_file()


def test_files_of_another_database_are_left_alone(ready: Made, tmp_path):
    """The folder of a study beside an empty database, as a wrong address would have it."""
    age(ready, 2 * WEEK)
    elsewhere = f"sqlite:///{tmp_path / 'other.sqlite'}"
    settings = ready.settings.model_copy(update={"database_url": elsewhere})
    kept = files(ready)
    with TestClient(create_app(settings)):
        pass
    assert files(ready) == kept
    found = leftovers.find(open_store(settings))
    assert (found.files, found.strange) == (len(kept), True)


def test_most_originals_unknown_is_told_by_doctor(empty: Made, monkeypatch):
    dies(empty, monkeypatch, recordings.take(1))
    (finding,) = (f for f in doctor.examine(empty.settings.data) if f.what == "leftover files")
    assert "FAIRHEARING_DATABASE_URL" in finding.advice
