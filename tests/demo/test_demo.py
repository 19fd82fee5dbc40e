"""The demo, built as `deploy/demo --once` builds it: the report finds what was planted."""

import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import urllib.request
import zipfile
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from panel.cli import app
from panel.demo import build, running
from panel.demo.built import Built
from panel.report.archive.export import recompute
from panel.stages import accounts, studies
from panel.stages.listen import visit
from panel.store.opening import open_store

# What is true of the workshop that does not exist (panel/demo/scenario.py): the adhesive is heard
# by most and liked, the economy element by some, hours on the table change nothing.
TRUTH = {
    "Stiffer adhesive": ("abx", "heard"),
    "Adhesive, by liking": ("preference", "preferred"),
    "Economy element": ("attribute", "heard"),
    "Hours on the vibration table": ("triangle", "not_heard"),
}


def once(folder: Path) -> dict[str, Any]:
    done = CliRunner().invoke(app, ["demo", "--once", "--data", str(folder)])
    assert done.exit_code == 0, done.output
    told: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return told


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def told(folder: Path) -> dict[str, Any]:
    return once(folder)


def test_summary_has_the_promised_keys(told: dict[str, Any]) -> None:
    assert set(told) == {"desk_url", "listener_url", "votes", "export", "contrasts"}
    for contrast in told["contrasts"]:
        assert set(contrast) == {"name", "role", "procedure", "verdict", "correct", "trials"}
    assert told["votes"] > 2_000
    roles = [contrast["role"] for contrast in told["contrasts"]]
    assert roles.count("question") == 4
    assert roles.count("planted_check") == 1
    assert roles.count("retake_control") == 4


def test_planted_truth_is_found(told: dict[str, Any]) -> None:
    found = {
        contrast["name"]: (contrast["procedure"], contrast["verdict"])
        for contrast in told["contrasts"]
        if contrast["role"] == "question"
    }
    assert found == TRUTH
    check = next(c for c in told["contrasts"] if c["role"] == "planted_check")
    assert check["verdict"] == "heard"


def test_export_recomputes_and_names_nobody(told: dict[str, Any]) -> None:
    found = recompute(Path(told["export"]))
    verdict, identical = found.verdict, found.identical
    assert identical
    assert verdict.votes == told["votes"]
    with zipfile.ZipFile(told["export"]) as archive:
        everything = b"".join(archive.read(name) for name in archive.namelist())
    assert b"@" not in everything.replace(b"@id", b"")
    assert b"listeners.example" not in everything


def test_second_start_reuses_what_is_there(told: dict[str, Any], folder: Path) -> None:
    again = once(folder)
    assert again["desk_url"] != told["desk_url"]  # a link works once, so each start makes one
    assert {**again, "desk_url": None} == {**told, "desk_url": None}
    place = running.place(folder, None)
    store = open_store(place.settings)
    who = accounts.enter(store, again["desk_url"].rsplit("/", 1)[1])
    states = {study.title: study.state for study in studies.mine(store, who)}
    assert states == {
        "Bench zither, autumn": "closed",
        "Kalimba, autumn": "open",
    }


def test_the_listener_link_leads_into_the_open_study(told: dict[str, Any], folder: Path) -> None:
    store = open_store(running.place(folder, None).settings)
    state = visit.enter(store, told["listener_url"].rsplit("/", 1)[1])
    assert state.step == "welcome"
    assert state.title == "Kalimba, autumn"


def test_server_starts_on_what_was_built(told: dict[str, Any], folder: Path) -> None:
    program = [sys.executable, "-m", "panel", "demo", "--data", str(folder), "--port", "0"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(program, stdout=subprocess.PIPE, text=True, env=environment) as server:
        assert server.stdout is not None
        said = ""
        for line in server.stdout:
            said += line
            if "Stop with Ctrl-C" in line:
                break
        desk, booth = re.findall(r"http://127\.0\.0\.1:\d+/(?:desk/enter|listen)/\S+", said)
        for link in (desk, booth):
            with urllib.request.urlopen(link, timeout=60) as answer:
                assert answer.status == 200
        server.send_signal(signal.SIGINT)
        assert server.wait(timeout=60) == 0


def test_demo_of_an_earlier_checkout_is_left_alone_with_a_sentence(tmp_path: Path) -> None:
    """Its folder as one has it that was built before the first schema."""
    open_store(running.place(tmp_path, None).settings).engine.dispose()
    with closing(sqlite3.connect(tmp_path / "panel.sqlite")) as made, made:
        made.execute("UPDATE alembic_version SET version_num = '0007'")
    built = running.Built("bench@larkfield.example", 1, "a", 2, "b", 3, 4, "study.zip")
    note = json.dumps({"format": running.FORMAT, **asdict(built)})
    (tmp_path / running.NOTE).write_text(note)
    before = (tmp_path / "panel.sqlite").read_bytes()
    for options in (["--once"], ["--port", "0"]):
        done = CliRunner().invoke(app, ["demo", "--data", str(tmp_path), *options])
        assert done.exit_code == 2
        assert "was built by another version" in done.stderr
        assert "Remove that folder" in done.stderr
    assert (tmp_path / "panel.sqlite").read_bytes() == before
    assert (tmp_path / running.NOTE).read_text() == note


def test_interrupted_build_leaves_nothing_half_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def cut_short(settings: Any) -> None:
        (settings.data / "panel.sqlite").write_bytes(b"half a database")
        raise KeyboardInterrupt

    monkeypatch.setattr(build, "build", cut_short)
    place = running.place(tmp_path, None)
    with pytest.raises(KeyboardInterrupt):
        running.ready(place)
    assert not (tmp_path / running.NOTE).exists()
    assert not (tmp_path / "panel.sqlite").exists()

    def whole(settings: Any) -> Built:
        assert list(settings.data.iterdir()) == []
        (settings.data / "panel.sqlite").write_bytes(b"a whole one")
        return Built("bench@larkfield.example", 1, "a", 2, "b", 3, 4, "study.zip")

    monkeypatch.setattr(build, "build", whole)
    built = running.ready(running.place(tmp_path, None))
    assert (tmp_path / "panel.sqlite").read_bytes() == b"a whole one"
    assert running.ready(running.place(tmp_path, None)) == built
    shutil.rmtree(tmp_path / running.UNFINISHED, ignore_errors=True)
