"""Backup of a data folder into one tar archive, and its restoration, each file checked by hash.

The server may go on running: the database is copied as one transaction saw it, and the files it
refers to never change once they are there (see `panel.store.files`).
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import sqlite3
import tarfile
import tempfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from panel.errors import BadInput, Conflict
from panel.settings import Settings, address_of
from panel.store.copying import copy_database
from panel.store.session import open_engine
from panel.store.updating import look

DATABASE = "panel.sqlite"
CONTENTS = "contents.json"
FORMAT = "fair-hearing-backup/1"
_PASSING = ("incoming/", f"{DATABASE}-")  # uploads under way; what SQLite keeps beside a database
_NAME = re.compile(r"[A-Za-z0-9._+-]+(/[A-Za-z0-9._+-]+)*")
_BLOCK = 2**20


@dataclass(frozen=True)
class Kept:
    """What a backup holds: number of files besides the list, and their bytes together."""

    files: int
    bytes: int


def back_up(settings: Settings, archive: Path) -> Kept:
    """Write everything in the data folder of `settings` to `archive`, a new tar file.

    Raises Conflict when the archive exists or cannot be written, or the database is not the SQLite
    file in the data folder; BadInput when there is nothing to back up. Whatever happens, `archive`
    is whole or absent.
    """
    if settings.database_url:
        raise Conflict(
            "The database is not in the data folder, so this command would leave it out.",
            hint="Use the database server's own backup, and copy the data folder beside it.",
        )
    folder = settings.data.resolve()
    if not (folder / DATABASE).is_file():
        raise BadInput(f"There is no study in {folder}.", hint="Name the folder with --data.")
    if archive.exists():
        raise Conflict(f"{archive} exists already.", hint="Choose a new name.")
    part = archive.with_name(archive.name + ".part")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "wb") as out, tempfile.TemporaryDirectory() as beside:
            snapshot = Path(beside) / DATABASE
            _snapshot(folder / DATABASE, snapshot)
            kept = _write(out, {DATABASE: snapshot} | _files(folder))
            out.flush()
            os.fsync(out.fileno())
        part.rename(archive)
    except OSError as error:
        raise Conflict(
            f"The backup could not be written: {error.strerror or error}.",
            hint="Look for room and for permission to write there, then run it again.",
        ) from None
    except sqlite3.Error as error:
        raise Conflict(
            f"The database could not be copied: {error}.",
            hint="Look for room for temporary files, and ask `fairhearing doctor` about the "
            "database; then run it again.",
        ) from None
    finally:
        part.unlink(missing_ok=True)
    return kept


def restore(archive: Path, folder: Path) -> Kept:
    """Unpack a backup into `folder`, which must be absent or empty.

    Raises Conflict when the folder holds something or cannot be written; BadInput when the archive
    is no backup, or a file in it is missing or is not what it was; OtherSchema when this version
    cannot work on its database. Nothing is left behind then.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Conflict(f"{folder} is not empty.", hint="Name a folder that does not exist yet.")
    part = folder.with_name(folder.name + ".part")
    if part.exists():
        raise Conflict(
            f"{part} is left of an earlier attempt.", hint="Remove it, then run this again."
        )
    try:
        part.mkdir(parents=True)
        kept = _unpack(archive, part)
        look(open_engine(address_of(part / DATABASE)), where=f"in {archive}")
        if folder.exists():
            folder.rmdir()
        part.rename(folder)
    except (tarfile.TarError, EOFError) as error:
        raise BadInput(
            f"{archive} is no backup of ours, or is damaged: {error}.", hint="Try another copy."
        ) from None
    except OSError as error:
        raise Conflict(
            f"The backup could not be unpacked: {error.strerror or error}.",
            hint="Look for room and for permission to write there, then run it again.",
        ) from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return kept


def _snapshot(database: Path, target: Path) -> None:
    """Copy the database as it is now. Opened as the server opens it, so that what a process left
    behind that was killed is taken back first."""
    with closing(sqlite3.connect(database, timeout=30)) as reading:
        copy_database(reading, target)


def _files(folder: Path) -> dict[str, Path]:
    found = {
        path.relative_to(folder).as_posix(): path
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }
    return {
        name: path
        for name, path in found.items()
        if name != DATABASE and not name.startswith(_PASSING)
    }


def _write(out: IO[bytes], files: dict[str, Path]) -> Kept:
    hashes: dict[str, str] = {}
    size = 0
    with tarfile.open(fileobj=out, mode="w", format=tarfile.PAX_FORMAT) as tar:
        for name, path in files.items():
            if not _NAME.fullmatch(name) or ".." in name:
                continue  # not of our making
            try:
                with path.open("rb") as source:
                    hashes[name] = hashlib.file_digest(source, "sha256").hexdigest()
                    member = tarfile.TarInfo(name)
                    member.size = source.seek(0, os.SEEK_END)
                    member.mtime = int(path.stat().st_mtime)
                    member.mode = 0o600
                    source.seek(0)
                    tar.addfile(member, source)
                    size += member.size
            except FileNotFoundError:
                continue  # removed since the list was made: the snapshot does not name it
        contents = json.dumps({"format": FORMAT, "sha256": hashes}, indent=1).encode()
        member = tarfile.TarInfo(CONTENTS)
        member.size = len(contents)
        tar.addfile(member, io.BytesIO(contents))
    return Kept(len(hashes), size)


def _unpack(archive: Path, folder: Path) -> Kept:
    found: dict[str, str] = {}
    size = 0
    contents: dict[str, object] = {}
    with tarfile.open(archive, mode="r:") as tar:
        for member in tar:
            source = tar.extractfile(member) if member.isreg() else None
            if source is None or not _NAME.fullmatch(member.name) or ".." in member.name:
                raise BadInput(f"{archive} holds “{member.name}”, which is no file of a backup.")
            if member.name == CONTENTS:
                contents = _contents(source.read(), archive)
                continue
            target = folder / member.name
            target.parent.mkdir(parents=True, exist_ok=True)
            found[member.name] = _copy(source, target)
            size += member.size
    if not contents:
        raise BadInput(f"{archive} is no backup of ours, or ends too early.")
    wanted = contents["sha256"]
    assert isinstance(wanted, dict)
    wrong = sorted({*wanted, *found} - {n for n in found if wanted.get(n) == found[n]})
    if wrong:
        raise BadInput(
            f"In {archive}, {len(wrong)} of {len(wanted)} files are missing or damaged, "
            f"{wrong[0]} among them.",
            hint="Try another copy; nothing was restored.",
        )
    return Kept(len(found), size)


def _contents(text: bytes, archive: Path) -> dict[str, object]:
    try:
        read = json.loads(text)
        known = read["format"] == FORMAT and isinstance(read["sha256"], dict)
    except (ValueError, KeyError, TypeError):
        known = False
    if not known:
        raise BadInput(f"{archive} was not written by this version's backup.")
    return dict(read)


def _copy(source: IO[bytes], target: Path) -> str:
    digest = hashlib.sha256()
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as out:
        while block := source.read(_BLOCK):
            digest.update(block)
            out.write(block)
        out.flush()
        os.fsync(out.fileno())
    return digest.hexdigest()
