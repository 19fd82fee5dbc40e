"""Looks whether everything the server needs is there, and says how to get what is not."""

from __future__ import annotations

import importlib
import shutil
import socket as sockets
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from panel.errors import PanelError
from panel.settings import Settings, load

if TYPE_CHECKING:
    from panel.store.session import Store

LEAST_FREE_GIB = 2.0
PACKAGES = (
    "aiosmtplib", "alembic", "argon2", "cryptography", "email_validator", "fastapi", "httptools",
    "imageio_ffmpeg", "itsdangerous", "jinja2", "numpy", "pydantic_settings", "rfc8785", "rich",
    "scipy", "soundfile", "soxr", "sqlmodel", "uvicorn",
)  # fmt: skip
REINSTALL = "Run deploy/demo once: it puts the environment in order."


@dataclass(frozen=True)
class Finding:
    """One thing looked at. `advice` is empty when all is well and there is nothing to add."""

    what: str
    well: bool
    found: str
    advice: str = ""


def examine(data: Path | None = None) -> list[Finding]:
    """Everything in turn; a check that fails never hides the ones after it."""
    findings = [_guarded("Python", _python), _guarded("packages", _packages)]
    findings += [_guarded("sound files", _sound_files), _guarded("decoder", _decoder)]
    try:
        settings = load(data=data)
    except PanelError as error:
        return [*findings, Finding("settings", False, error.message, error.hint)]
    findings.append(Finding("settings", True, f"data in {settings.data.resolve()}"))
    findings.append(_guarded("data folder", lambda: _folder(settings.data)))
    findings += _stored(settings)
    findings.append(_guarded("port", lambda: _port(settings)))
    findings.append(_guarded("public address", lambda: _public_address(settings)))
    findings.append(_guarded("mail", lambda: _mail(settings)))
    return findings


def _guarded(what: str, check: Callable[[], Finding]) -> Finding:
    try:
        return check()
    except PanelError as error:
        return Finding(what, False, error.message, error.hint)
    except Exception as error:
        return Finding(what, False, f"{type(error).__name__}: {error}", REINSTALL)


def _python() -> Finding:
    version = ".".join(map(str, sys.version_info[:3]))
    return Finding("Python", sys.version_info >= (3, 11), f"{version} at {sys.executable}")


def _packages() -> Finding:
    missing = []
    for package in PACKAGES:
        try:
            importlib.import_module(package)
        except ImportError:
            missing.append(package)
    if missing:
        return Finding("packages", False, "missing: " + ", ".join(missing), REINSTALL)
    return Finding("packages", True, f"{len(PACKAGES)} of {len(PACKAGES)} can be imported")


def _sound_files() -> Finding:
    import numpy as np
    import soundfile

    with tempfile.TemporaryDirectory() as folder:
        ramp = np.arange(-(2**23), 2**23, 65_537) / 2**23
        for kind, subtype in (("WAV", "PCM_24"), ("FLAC", "PCM_24"), ("AIFF", "PCM_24")):
            path = Path(folder) / f"ramp.{kind.lower()}"
            soundfile.write(path, ramp, 48_000, format=kind, subtype=subtype)
            back, _ = soundfile.read(path)
            if not np.array_equal(back, ramp):
                return Finding(
                    "sound files", False, f"{kind} does not come back exactly", REINSTALL
                )
    return Finding(
        "sound files", True, f"WAV, FLAC, AIFF exact ({soundfile.__libsndfile_version__})"
    )


def _decoder() -> Finding:
    from imageio_ffmpeg import get_ffmpeg_exe

    try:
        program = get_ffmpeg_exe()
        told = subprocess.run(
            [program, "-hide_banner", "-version"], capture_output=True, timeout=30, check=True
        ).stdout.decode("utf-8", "replace")
    except (RuntimeError, OSError, subprocess.SubprocessError) as error:
        return Finding("decoder", False, f"for AAC and M4A: {error}", REINSTALL)
    return Finding("decoder", True, f"for AAC and M4A: {told.splitlines()[0][:60]}")


def _no_folder(data: Path | None, error: OSError) -> Finding:
    advice = "Choose another with --data or FAIRHEARING_DATA, or make it writable."
    return Finding("data folder", False, f"{data or 'as set'}: {error.strerror}", advice)


def _folder(data: Path) -> Finding:
    try:
        with tempfile.TemporaryFile(dir=data) as trial:
            trial.write(b"x")
    except OSError as error:
        return _no_folder(data, error)
    free = shutil.disk_usage(data).free / 2**30
    advice = "" if free >= LEAST_FREE_GIB else "Make room: takes and clips are kept unpacked."
    return Finding("data folder", free >= LEAST_FREE_GIB, f"writable, {free:.1f} GiB free", advice)


def _stored(settings: Settings) -> Iterator[Finding]:
    from panel.store.opening import open_store, standing
    from panel.store.schema import Standing

    try:
        found = standing(settings)
        if found is Standing.NEW:
            yield Finding("database", True, "none yet; it is made at the first start")
            return
        if found is Standing.BEHIND:
            yield Finding(
                "database",
                True,
                "of an earlier version",
                "The server brings it up to date when it starts: stop the old one first, and look "
                "that the disk has room for two more of it.",
            )
            return
        store = open_store(settings)
        yield _guarded("database", lambda: _database(settings, store))
        yield _guarded("originals", lambda: _originals(store))
        yield _guarded("leftover files", lambda: _leftovers(store))
        yield _guarded("organisers", lambda: _organisers(store))
    except PanelError as error:
        yield Finding("database", False, error.message, error.hint)
    except Exception as error:
        yield Finding(
            "database",
            False,
            f"{type(error).__name__}: {str(error).splitlines()[0]}",
            "Check FAIRHEARING_DATABASE_URL, or restore the data folder from a backup.",
        )


def _database(settings: Settings, store: Store) -> Finding:
    if settings.database_url:
        with store.engine.connect() as connection:
            return Finding("database", True, f"reachable ({connection.dialect.name})")
    with sqlite3.connect(settings.data / "panel.sqlite") as connection:
        told = [row[0] for row in connection.execute("PRAGMA integrity_check(3)")]
    if told != ["ok"]:
        return Finding("database", False, "; ".join(told), "Restore the folder from a backup.")
    return Finding("database", True, "whole")


def _originals(store: Store) -> Finding:
    import hashlib

    from sqlmodel import select

    from panel.store.files import original_key
    from panel.store.tables import Take

    with store.session() as session:
        takes = session.exec(select(Take.label, Take.sha256, Take.file_name)).all()
    wrong = []
    for label, sha256, file_name in takes:
        path = store.files.path(original_key(sha256))
        if not path.is_file():
            wrong.append(f"{label} ({file_name}) is gone")
        else:
            with path.open("rb") as content:
                if hashlib.file_digest(content, "sha256").hexdigest() != sha256:
                    wrong.append(f"{label} ({file_name}) has changed")
    if wrong:
        return Finding(
            "originals", False, "; ".join(wrong[:5]), "Restore the folder from a backup."
        )
    return Finding("originals", True, f"{len(takes)} takes, each with its own hash")


def _leftovers(store: Store) -> Finding:
    from panel.stages.takes import leftovers

    found = leftovers.find(store)
    if not found.files:
        return Finding("leftover files", True, "none")
    return Finding(
        "leftover files",
        True,
        f"{found.files} that no study refers to, {found.bytes / 2**20:.1f} MiB",
        "Most originals are unknown to this database, so nothing is removed: check that "
        "FAIRHEARING_DATABASE_URL names the one that belongs to this folder."
        if found.strange
        else "The server removes them when it starts, once they are a week old.",
    )


def _organisers(store: Store) -> Finding:
    from sqlalchemy import func
    from sqlmodel import select

    from panel.store.tables import Organiser

    with store.session() as session:
        count = session.exec(select(func.count()).select_from(Organiser)).one()
    advice = "" if count else "Add the first one: fairhearing organiser add ADDRESS."
    return Finding("organisers", bool(count), str(count), advice)


def _port(settings: Settings) -> Finding:
    with sockets.socket(sockets.AF_INET6 if ":" in settings.host else sockets.AF_INET) as socket:
        socket.setsockopt(sockets.SOL_SOCKET, sockets.SO_REUSEADDR, 1)
        try:
            socket.bind((settings.host, settings.port))
        except OSError as error:
            # Most likely the server itself is running; that is nothing to mend.
            return Finding(
                "port",
                True,
                f"{settings.host}:{settings.port} is in use ({(error.strerror or '').lower()})",
                "If the server is not running, choose another: FAIRHEARING_PORT.",
            )
    return Finding("port", True, f"{settings.host}:{settings.port} is free")


def _public_address(settings: Settings) -> Finding:
    if not settings.public_url:
        return Finding(
            "public address",
            True,
            f"{settings.address}, reachable from this machine only",
            "For listeners elsewhere set FAIRHEARING_PUBLIC_URL to https://…",
        )
    if not settings.public_url.startswith("https://"):
        return Finding(
            "public address",
            False,
            settings.public_url,
            "Links open things: use https, see deploy/examples/.",
        )
    return Finding("public address", True, settings.public_url)


def _mail(settings: Settings) -> Finding:
    if not settings.smtp_host:
        return Finding(
            "mail",
            True,
            "no mail server set: links wait in the outbox at the desk",
            "To send them set FAIRHEARING_SMTP_HOST, _USER, _PASSWORD and FAIRHEARING_MAIL_FROM.",
        )
    if not settings.mail_from:
        return Finding("mail", False, "no sender's address", "Set FAIRHEARING_MAIL_FROM.")
    where = (settings.smtp_host, settings.smtp_port)
    try:
        sockets.create_connection(where, timeout=10).close()
    except OSError as error:
        return Finding(
            "mail",
            False,
            f"{where[0]}:{where[1]}: {(error.strerror or str(error)).lower()}",
            "Check FAIRHEARING_SMTP_HOST and FAIRHEARING_SMTP_PORT.",
        )
    return Finding("mail", True, f"{where[0]}:{where[1]} answers")
