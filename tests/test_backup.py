"""Backup and restore: everything comes back, and nothing that is damaged or foreign goes in."""

import io
import sqlite3
import tarfile
import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

from panel.backup import CONTENTS, back_up, restore
from panel.cli import app
from panel.errors import BadInput, Conflict
from panel.settings import Settings, load
from panel.stages import accounts
from panel.store.opening import open_store
from panel.store.schema import OtherSchema


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """A data folder with an organiser, an original and a clip in it."""
    settings = load(data=tmp_path / "data")
    store = open_store(settings)
    accounts.add_organiser(store, "maker@example.org", "Maker", "a long enough password")
    store.files.keep_original([b"a take", b" of sound"], limit=1000)
    store.files.write("clip/ab/cd", bytes(range(256)) * 5000)
    (settings.data / "incoming").mkdir(exist_ok=True)
    (settings.data / "incoming" / "half").write_bytes(b"an upload under way")
    store.engine.dispose()
    return settings


def tree(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith("panel.sqlite")
    }


def test_round_trip_gives_the_same_server(settings: Settings, tmp_path: Path) -> None:
    kept = back_up(settings, tmp_path / "kept.tar")
    assert restore(tmp_path / "kept.tar", tmp_path / "new" / "data") == kept
    before = tree(settings.data)
    del before["incoming/half"]
    assert tree(tmp_path / "new" / "data") == before
    again = load(data=tmp_path / "new" / "data")
    assert again.secret == settings.secret
    store = open_store(again)
    assert accounts.check_password(store, "maker@example.org", "a long enough password")
    assert (tmp_path / "kept.tar").stat().st_mode & 0o077 == 0


def test_database_is_of_one_moment_while_others_write(settings: Settings, tmp_path: Path) -> None:
    """Two rows are written in each transaction: a copy never holds an odd number of them."""
    path = settings.data / "panel.sqlite"
    with sqlite3.connect(path) as ready:
        ready.execute("CREATE TABLE pairs (n INTEGER)")
    stop = threading.Event()

    def write() -> None:
        writing = sqlite3.connect(path, timeout=30)
        while not stop.is_set():
            with writing:
                writing.execute("INSERT INTO pairs VALUES (1)")
                writing.execute("INSERT INTO pairs VALUES (2)")
        writing.close()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(5):
            back_up(settings, tmp_path / f"{number}.tar")
    finally:
        stop.set()
        writer.join()
    for number in range(5):
        restore(tmp_path / f"{number}.tar", tmp_path / f"copy-{number}")
        with sqlite3.connect(tmp_path / f"copy-{number}" / "panel.sqlite") as copy:
            assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert copy.execute("SELECT count(*) % 2 FROM pairs").fetchone() == (0,)


def test_backup_refuses_to_overwrite_and_to_leave_out(settings: Settings, tmp_path: Path) -> None:
    there = tmp_path / "there.tar"
    there.write_bytes(b"kept")
    with pytest.raises(Conflict, match="exists already"):
        back_up(settings, there)
    assert there.read_bytes() == b"kept"
    with pytest.raises(BadInput, match="no study"):
        back_up(load(data=tmp_path / "empty"), tmp_path / "none.tar")
    elsewhere = settings.model_copy(update={"database_url": "postgresql://db/panel"})
    with pytest.raises(Conflict, match="not in the data folder"):
        back_up(elsewhere, tmp_path / "none.tar")
    with pytest.raises(Conflict, match="could not be written"):
        back_up(settings, tmp_path / "no such folder" / "none.tar")
    assert [path.name for path in tmp_path.glob("*.tar*")] == ["there.tar"]


def rewritten(source: Path, target: Path, change: dict[str, bytes | None]) -> Path:
    """A copy of an archive with members replaced, added, or (None) left out."""
    with tarfile.open(source) as old, tarfile.open(target, "w") as new:
        members = {m.name: old.extractfile(m).read() for m in old}
        for name, content in (members | change).items():
            if content is not None:
                member = tarfile.TarInfo(name)
                member.size = len(content)
                new.addfile(member, io.BytesIO(content))
    return target


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"clip/ab/cd": b"other sound"}, "missing or damaged"),
        ({"clip/ab/cd": None}, "missing or damaged"),
        ({"clip/ab/new": b"not in the list"}, "missing or damaged"),
        ({CONTENTS: None}, "no backup of ours"),
        ({CONTENTS: b"{}"}, "not written by this version"),
        ({CONTENTS: b"\xff"}, "not written by this version"),
        ({"../outside": b"x"}, "no file of a backup"),
        ({"/tmp/outside": b"x"}, "no file of a backup"),
    ],
)
def test_damaged_archive_restores_nothing(
    settings: Settings, tmp_path: Path, change: dict[str, bytes | None], sentence: str
) -> None:
    back_up(settings, tmp_path / "kept.tar")
    bad = rewritten(tmp_path / "kept.tar", tmp_path / "bad.tar", change)
    with pytest.raises(BadInput, match=sentence):
        restore(bad, tmp_path / "target")
    assert not (tmp_path / "target").exists()
    assert not (tmp_path / "target.part").exists()
    assert not (tmp_path / "outside").exists()


def test_link_in_an_archive_is_refused(settings: Settings, tmp_path: Path) -> None:
    with tarfile.open(tmp_path / "bad.tar", "w") as tar:
        link = tarfile.TarInfo("clip/ab")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc"
        tar.addfile(link)
    with pytest.raises(BadInput, match="no file of a backup"):
        restore(tmp_path / "bad.tar", tmp_path / "target")
    assert not (tmp_path / "target").exists()


def test_cut_off_archive_and_wrong_file_are_named(settings: Settings, tmp_path: Path) -> None:
    back_up(settings, tmp_path / "kept.tar")
    whole = (tmp_path / "kept.tar").read_bytes()
    for size in (0, 100, len(whole) // 3, len(whole) // 2):
        (tmp_path / "cut.tar").write_bytes(whole[:size])
        with pytest.raises(BadInput, match="no backup of ours"):
            restore(tmp_path / "cut.tar", tmp_path / "target")
        assert not (tmp_path / "target").exists()


def test_restore_keeps_out_of_a_folder_in_use(settings: Settings, tmp_path: Path) -> None:
    back_up(settings, tmp_path / "kept.tar")
    before = tree(settings.data)
    with pytest.raises(Conflict, match="not empty"):
        restore(tmp_path / "kept.tar", settings.data)
    assert tree(settings.data) == before
    (tmp_path / "empty").mkdir()
    restore(tmp_path / "kept.tar", tmp_path / "empty")
    assert tree(tmp_path / "empty")


def test_both_by_command(settings: Settings, tmp_path: Path) -> None:
    archive, target = str(tmp_path / "kept.tar"), str(tmp_path / "target")
    done = CliRunner().invoke(app, ["backup", archive, "--data", str(settings.data)])
    assert done.exit_code == 0
    assert "keep it where only you can read it" in done.output
    done = CliRunner().invoke(app, ["restore", archive, "--data", target])
    assert done.exit_code == 0
    assert "all as they were" in done.output
    done = CliRunner().invoke(app, ["restore", archive, "--data", target])
    assert done.exit_code == 2
    assert "not empty" in done.output


@pytest.mark.parametrize(
    ("schema", "sentence"),
    [("schema_999", "newer version of Fair Hearing"), ("0007", "before the first release")],
)
def test_backup_of_another_schema_is_not_restored(
    settings: Settings, tmp_path: Path, schema: str, sentence: str
) -> None:
    with sqlite3.connect(settings.data / "panel.sqlite") as database:
        database.execute("UPDATE alembic_version SET version_num = ?", (schema,))
    database.close()
    back_up(settings, tmp_path / "kept.tar")
    with pytest.raises(OtherSchema, match=sentence) as refused:
        restore(tmp_path / "kept.tar", tmp_path / "target")
    assert str(tmp_path / "kept.tar") in refused.value.message
    assert not (tmp_path / "target").exists()
    assert not (tmp_path / "target.part").exists()


def test_backup_of_a_damaged_database_is_refused(settings: Settings, tmp_path: Path) -> None:
    (settings.data / "panel.sqlite").write_bytes(b"of something else" * 1000)
    with pytest.raises(Conflict, match="database could not be copied"):
        back_up(settings, tmp_path / "kept.tar")
    assert not list(tmp_path.glob("kept.tar*"))
