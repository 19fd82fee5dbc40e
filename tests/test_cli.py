"""The command `fairhearing`: answers on known input, and plain sentences on bad input."""

import hashlib
import json
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner
from vote_records import ListenerRow, Vote, as_tables

from panel.cli import app
from panel.design.plan import build
from panel.settings import load
from panel.stages import accounts
from panel.store import opening
from panel.store.opening import open_store
from panel.store.schema import Standing
from panel.study.conditions import Condition
from panel.study.factors import Factor
from panel.study.plan import Contrast, PlanExcerpt, PlanTake
from panel.study.plan_reading import read_plan

RATE = 48_000


def run(*words: object, **options: object):
    return CliRunner().invoke(app, [str(word) for word in words], **options)


def music(seconds: float = 4.0, seed: int = 3) -> np.ndarray:
    """Noise of falling spectrum under a moving envelope: it aligns in one way only."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=round(seconds * RATE))
    hz = np.fft.rfftfreq(len(noise), 1 / RATE)
    shaped = np.fft.irfft(np.fft.rfft(noise) / (1 + hz / 800), len(noise))
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * 1.7 * np.arange(len(noise)) / RATE)
    return 0.2 * shaped * swell / np.std(shaped)


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """B is A, 137 samples later, 2.5 dB lower, upside down."""
    a = music()
    b = -np.concatenate((np.zeros(137), a))[: len(a)] * 10 ** (-2.5 / 20)
    for name, sound in (("a.wav", a), ("b.flac", b)):
        soundfile.write(tmp_path / name, sound, RATE, subtype="PCM_24")
    return tmp_path / "a.wav", tmp_path / "b.flac"


def test_measure_finds_what_was_done_to_a_pair(pair: tuple[Path, Path]) -> None:
    done = run("measure", *pair, "--json")
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert set(found) >= {
        "delay_samples", "gain_db", "drift_ppm", "inverted", "residual_db", "loudness_lufs",
        "third_octave", "corner_hz", "shelf", "same_performance", "warnings",
    }  # fmt: skip
    assert found["delay_samples"] == pytest.approx(137, abs=0.01)
    assert found["gain_db"] == pytest.approx(-2.5, abs=0.01)
    assert found["drift_ppm"] == pytest.approx(0, abs=0.2)
    assert found["inverted"] is True
    # Two roundings to 24 bits are all that differs: some −120 dB under this signal.
    assert found["residual_db"] < -100
    a, b = found["loudness_lufs"]
    assert b - a == pytest.approx(-2.5, abs=0.02)
    bands = {band["hz"]: band["difference_db"] for band in found["third_octave"]}
    assert bands[1000] == pytest.approx(0, abs=0.02)


def test_measure_in_words_claims_nothing_about_hearing(pair: tuple[Path, Path]) -> None:
    done = run("measure", *pair)
    assert done.exit_code == 0
    assert "−2.50 dB" in done.stdout
    assert "inverted" in done.stdout
    assert "only votes say that" in done.stdout


def test_measure_compares_the_channels_that_are_named(tmp_path: Path) -> None:
    sound, other = music(), music(seed=4)
    for name, gain in (("a.wav", 1.0), ("b.wav", 0.5)):
        tracks = [other, 0 * other, gain * sound, other]
        soundfile.write(tmp_path / name, np.stack(tracks, axis=1), RATE, "PCM_24")
    pair = tmp_path / "a.wav", tmp_path / "b.wav"
    done = run("measure", *pair, "--json", "--channels", "3")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["gain_db"] == pytest.approx(-6.02, abs=0.01)
    for wrong in ((), ("--channels", "5"), ("--channels", "left")):
        refused = subprocess.run(
            [sys.executable, "-m", "panel", "measure", *map(str, pair), *wrong],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert refused.returncode == 2
        assert "channels" in refused.stderr


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_leader_is_written_with_the_music_after_it_and_found_again(
    pair: tuple[Path, Path], tmp_path: Path, rate: int
) -> None:
    from panel.audio.leader import find
    from panel.audio.reading import decode

    out = tmp_path / "play.wav"
    done = run("leader", out, "--rate", rate, "--append", pair[0])
    assert done.exit_code == 0, done.output
    assert "Hearing:" in done.stdout
    assert "no louder than the music" in done.stdout
    assert "can kill" in done.stdout
    sound = decode.read(out)
    assert sound.rate == rate
    found = find.find(sound.samples, rate)
    assert found is not None
    assert abs(found.start) < 0.01
    assert abs(find.music(sound, found).seconds - 4.0) < 0.001
    again = run("leader", out)
    assert again.exit_code == 2
    assert "is there already" in again.stderr
    assert decode.read(out).frames == sound.frames


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of a small study in which everybody hears and nothing is random."""
    from panel.analysis.verdict import conclude
    from panel.report.archive.export import write_zip

    logs = {1: {"part": "old"}, 2: {"part": "new"}}
    takes = [PlanTake(f"t{n}", f"{n}", f"{n:064x}", n, logs[n]) for n in logs]
    question = Contrast(
        "q1", "Two recordings", "question", "abx",
        (Condition("old", ("t1",)), Condition("new", ("t2",))), 6,
    )  # fmt: skip
    plan = build(
        title="Two recordings", question="Do they differ?", factors=[Factor("part", "part")],
        takes=takes,
        excerpts=[PlanExcerpt("e1", 0.0, 4.0)], contrasts=[question], listeners=3,
        schedule_seed="0" * 32,
    ).document()  # fmt: skip
    votes = []
    for number in range(18):
        x = "t1" if number % 2 else "t2"
        right = number % 9 != 0
        answer = "one" if (x == "t1") == right else "two"
        votes.append(
            Vote(
                number + 1, f"l{number // 6}", number % 6 + 1, "q1", "abx", "e1", "t1", "t2", x,
                answer, right,
            )
        )  # fmt: skip
    rows = [ListenerRow(f"l{n}", True, "passed", "headphones", RATE, 6) for n in range(3)]
    path = tmp_path_factory.mktemp("export") / "study.zip"
    read, tables = read_plan(plan), as_tables(votes, rows)
    path.write_bytes(write_zip(read, *tables, conclude(read, *tables)))
    return path


def test_verdict_is_recomputed_identically(export: Path) -> None:
    done = run("verdict", export, "--json")
    assert done.exit_code == 0, done.output
    with zipfile.ZipFile(export) as archive:
        stored = json.loads(
            archive.read(next(n for n in archive.namelist() if n.endswith("verdict.json")))
        )
    assert json.loads(done.stdout) == stored
    assert "identical to the stored one" in done.stderr


def test_verdict_in_words(export: Path) -> None:
    done = run("verdict", export)
    assert done.exit_code == 0
    assert "Two recordings (question)" in done.stdout
    assert "16 of 18 votes" in done.stdout


@pytest.mark.parametrize(
    ("hashed_anew", "code", "told"),
    [(True, 1, "NOT identical"), (False, 2, "verdict.json")],
    ids=["with its hash renewed", "as it is"],
)
def test_verdict_that_was_changed_is_called_out(
    export: Path, tmp_path: Path, hashed_anew: bool, code: int, told: str
) -> None:
    with zipfile.ZipFile(export) as old:
        files = {name: old.read(name) for name in old.namelist()}
    name = next(name for name in files if name.endswith("verdict.json"))
    package = next(name for name in files if name.endswith("datapackage.json"))
    verdict = json.loads(files[name])
    true = verdict["contrasts"][0]["verdict"]
    verdict["contrasts"][0]["verdict"] = "heard"
    forged = json.dumps(verdict).encode()
    if hashed_anew:
        was, now = (hashlib.sha256(content).hexdigest() for content in (files[name], forged))
        assert was.encode() in files[package]
        files[package] = files[package].replace(was.encode(), now.encode())
    files[name] = forged
    with zipfile.ZipFile(tmp_path / "changed.zip", "w") as new:
        for member, content in files.items():
            new.writestr(member, content)
    done = run("verdict", tmp_path / "changed.zip", "--json")
    assert done.exit_code == code
    assert told in done.stderr
    assert true != "heard"
    if code == 1:
        assert json.loads(done.stdout)["contrasts"][0]["verdict"] == true


def test_organiser_gets_a_link_that_works_once(tmp_path: Path) -> None:
    done = run("organiser", "add", "maker@workshop.example", "--name", "Maker", "--data", tmp_path)
    assert done.exit_code == 0, done.output
    link = done.stdout.strip().splitlines()[-1]
    assert link.startswith("http://127.0.0.1:8642/desk/enter/")
    store = open_store(load(data=tmp_path))
    who = accounts.enter(store, link.rsplit("/", 1)[1])
    assert accounts.organiser(store, who).name == "Maker"
    again = run("organiser", "link", "maker@workshop.example", "--data", tmp_path)
    assert again.exit_code == 0
    assert again.stdout.strip().splitlines()[-1] != link


def test_organiser_may_choose_a_password(tmp_path: Path) -> None:
    chosen = "four plain words here"
    done = run(
        "organiser", "add", "maker@workshop.example", "--password", "--data", tmp_path,
        input=f"{chosen}\n{chosen}\n",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert chosen not in done.output
    store = open_store(load(data=tmp_path))
    assert accounts.check_password(store, "maker@workshop.example", chosen)


def text(path: Path) -> Path:
    path.write_text("this is no sound and no archive")
    return path


def silence(path: Path) -> Path:
    soundfile.write(path, np.zeros(RATE), RATE)
    return path


BAD = {
    "missing file": lambda p: ("measure", p / "no.wav", p / "no.wav"),
    "folder": lambda p: ("measure", p, p),
    "text called wav": lambda p: ("measure", text(p / "a.wav"), text(p / "a.wav")),
    "empty file": lambda p: ("measure", *[(p / "e.wav").write_bytes(b"") or p / "e.wav"] * 2),
    "silence": lambda p: ("measure", silence(p / "s.wav"), silence(p / "s.wav")),
    "leader at a strange rate": lambda p: ("leader", p / "l.wav", "--rate", 11_025),
    "leader that is no wav": lambda p: ("leader", p / "l.mp3"),
    "leader into no folder": lambda p: ("leader", p / "no" / "l.wav"),
    "leader before text": lambda p: ("leader", p / "l.wav", "--append", text(p / "m.wav")),
    "leader before silence": lambda p: ("leader", p / "l.wav", "--append", silence(p / "m.wav")),
    "export that is no zip": lambda p: ("verdict", text(p / "study.zip")),
    "export that is missing": lambda p: ("verdict", p / "study.zip"),
    "malformed address": lambda p: ("organiser", "add", "nobody", "--data", p),
    "address with a newline": lambda p: ("organiser", "add", "a@b.example\nBcc: c", "--data", p),
    "unknown organiser": lambda p: ("organiser", "link", "x@workshop.example", "--data", p),
    "demo beside other things": lambda p: ("demo", "--once", "--data", text(p / "x").parent),
    "demo in a file": lambda p: ("demo", "--once", "--data", text(p / "x")),
    "port that is none": lambda p: ("serve", "--data", p, "--port", 70_000),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_input_gets_a_sentence_and_exit_code_2(case: str, tmp_path: Path) -> None:
    done = run(*BAD[case](tmp_path))
    assert done.exit_code == 2, done.output
    assert isinstance(done.exception, SystemExit)
    assert done.stdout == ""
    assert len(done.stderr.strip()) > 20
    assert "Traceback" not in done.stderr


def test_wrong_setting_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAIRHEARING_SMTP_PORT", "mail")
    done = run("serve", "--data", tmp_path)
    assert done.exit_code == 2
    assert "FAIRHEARING_SMTP_PORT" in done.stderr


def test_busy_port_is_said_plainly(tmp_path: Path) -> None:
    import socket

    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        done = run("serve", "--data", tmp_path, "--port", holder.getsockname()[1])
    assert done.exit_code == 2
    assert "--port" in done.stderr


def test_doctor_says_what_is_missing_and_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import imageio_ffmpeg

    well = run("doctor", "--data", tmp_path)
    assert well.exit_code == 0, well.output
    assert "MISSING" not in well.stdout

    def gone() -> str:
        raise RuntimeError("No ffmpeg exe could be found.")

    monkeypatch.setattr(imageio_ffmpeg, "get_ffmpeg_exe", gone)
    monkeypatch.setenv("FAIRHEARING_PUBLIC_URL", "http://listen.example")
    ill = run("doctor", "--data", tmp_path)
    assert ill.exit_code == 1
    assert "MISSING  decoder" in ill.stdout
    assert "deploy/demo" in ill.stdout
    assert "MISSING  public address" in ill.stdout


def test_doctor_notices_an_original_that_changed(tmp_path: Path) -> None:
    from panel.stages import studies
    from panel.stages.takes import intake

    store = open_store(load(data=tmp_path))
    organiser = accounts.add_organiser(store, "maker@workshop.example")
    code = studies.create(store, organiser, "One take", "Is it kept?")
    study = studies.overview(store, organiser, code).id
    soundfile.write(tmp_path / "take.wav", music(1.0), RATE, subtype="PCM_24")
    take = intake.add_take(store, study, "take.wav", [(tmp_path / "take.wav").read_bytes()])
    assert run("doctor", "--data", tmp_path).exit_code == 0
    path, _ = intake.original(store, study, take.key)
    content = path.read_bytes()
    path.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    told = run("doctor", "--data", tmp_path)
    assert told.exit_code == 1
    assert "has changed" in told.stdout
    path.unlink()
    assert "is gone" in run("doctor", "--data", tmp_path).stdout


def test_doctor_looks_at_the_database_and_changes_nothing(tmp_path: Path) -> None:
    assert "none yet" in run("doctor", "--data", tmp_path).stdout
    assert not (tmp_path / "panel.sqlite").exists()
    open_store(load(data=tmp_path)).engine.dispose()
    database = tmp_path / "panel.sqlite"
    with closing(sqlite3.connect(database)) as made, made:
        made.execute("UPDATE alembic_version SET version_num = 'schema_999'")
    before = database.read_bytes()
    told = run("doctor", "--data", tmp_path)
    assert told.exit_code == 1
    assert "newer version of Fair Hearing" in told.stdout
    assert "Install the newer version again" in told.stdout
    database.rename(tmp_path / "away.sqlite")
    (tmp_path / "original" / "ab").mkdir(parents=True)
    (tmp_path / "original" / "ab" / "abcd").touch()
    told = run("doctor", "--data", tmp_path)
    assert told.exit_code == 1
    assert "panel.sqlite is not in it" in told.stdout
    assert (tmp_path / "away.sqlite").read_bytes() == before


def test_doctor_leaves_an_update_to_the_server(tmp_path: Path, monkeypatch) -> None:
    open_store(load(data=tmp_path)).engine.dispose()
    monkeypatch.setattr(opening, "look", lambda _: Standing.BEHIND)
    monkeypatch.setattr(opening, "bring_up_to_date", pytest.fail)
    told = run("doctor", "--data", tmp_path)
    assert told.exit_code == 0
    assert "of an earlier version" in told.stdout


def test_a_server_on_a_newer_database_says_what_to_do(tmp_path: Path) -> None:
    open_store(load(data=tmp_path)).engine.dispose()
    with closing(sqlite3.connect(tmp_path / "panel.sqlite")) as made, made:
        made.execute("UPDATE alembic_version SET version_num = 'schema_999'")
    done = run("serve", "--data", tmp_path, "--port", 0)
    assert done.exit_code == 2
    assert "newer version of Fair Hearing" in done.stderr
    assert "Traceback" not in done.output


def test_help_loads_nothing_heavy() -> None:
    program = (
        "import sys, panel.cli\n"
        "heavy = {'numpy', 'scipy', 'fastapi', 'sqlmodel', 'soundfile', 'uvicorn', 'rich'}\n"
        "print(*sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == []
