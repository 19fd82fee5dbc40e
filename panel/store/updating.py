"""Brings a database to the schema of this program: whole, or not at all.

On SQLite that is done alone: no other program may have the file open, so that neither a server of
the version before nor a second start meets a schema half-way. What is there is checked, a copy is
kept beside the database, every migration that is due runs in one transaction, and the copy goes
once that is committed. A process that is killed leaves the database as it was, or whole.
"""

import logging
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from alembic import command
from sqlalchemy import URL, Connection, Engine, NullPool, create_engine
from sqlalchemy.exc import DBAPIError

from panel.errors import Conflict, PanelError
from panel.store.copying import copy_database
from panel.store.schema import VERSIONS, Standing, configuration, place, standing

log = logging.getLogger(__name__)

COPY = "-before-update"  # after the name of the database's file
PATIENCE_S = 30.0
_TRY_AGAIN_S = 0.1
_STARTS = 4_093_071_122  # any number, as long as it stays: the lock of those who start
_SAY_SO_S = 1.0


def bring_up_to_date(engine: Engine, versions: Path = VERSIONS) -> None:
    """Run the migrations in `versions` that the database of `engine` has not had yet.

    Raises OtherSchema for a database that this program cannot work on; Conflict when another
    program has it open, when it is damaged or cannot be written, or when a migration fails. The
    database is then as it was.
    """
    if not _in_a_file(engine):
        _bring_server_up_to_date(engine, versions)
        return
    asked = time.monotonic()
    said = False
    while True:
        try:
            _bring_file_up_to_date(engine.url, versions)
            return
        except (sqlite3.Error, DBAPIError) as error:
            waited = time.monotonic() - asked
            if not _is_taken(error) or waited > PATIENCE_S:
                raise _told(error, str(engine.url.database)) from error
            if waited > _SAY_SO_S and not said:
                log.warning("Another program has %s open; waiting for it.", engine.url.database)
                said = True
            time.sleep(_TRY_AGAIN_S)


def look(engine: Engine, versions: Path = VERSIONS, where: str = "") -> Standing:
    """How the database of `engine` stands; nothing is changed. Raises as `bring_up_to_date`, in
    sentences that say it lies `where`."""
    if _in_a_file(engine) and not Path(str(engine.url.database)).exists():
        return Standing.NEW  # opening it would make the file
    try:
        with _opened(engine.url) if _in_a_file(engine) else engine.connect() as connection:
            return standing(connection, versions, where)
    except (sqlite3.Error, DBAPIError) as error:
        if engine.dialect.name != "sqlite":
            raise _no_answer(engine, error) from error
        raise _told(error, where or str(engine.url.database)) from error


def _bring_server_up_to_date(engine: Engine, versions: Path) -> None:
    """On a database server, whose own transactions hold changes of tables too, and whose own
    backup is the copy."""
    try:
        with engine.begin() as connection:
            if connection.dialect.name == "postgresql":  # a second start waits here for the first
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_STARTS})")
            if standing(connection, versions) is not Standing.CURRENT:
                _migrate(connection, versions)
    except PanelError:
        raise
    except Exception as error:
        raise _no_answer(engine, error) from error


def _no_answer(engine: Engine, error: Exception) -> Conflict:
    where = engine.url.render_as_string(hide_password=True)
    return Conflict(
        f"The database {where} cannot be used, or brought up to date: {_first_line(error)}",
        hint="It is as it was. Look whether FAIRHEARING_DATABASE_URL is right and the database "
        "answers; then start again.",
    )


def _in_a_file(engine: Engine) -> bool:
    return engine.dialect.name == "sqlite" and engine.url.database not in (None, "", ":memory:")


def _bring_file_up_to_date(url: URL, versions: Path) -> None:
    with _opened(url) as connection:
        path = Path(place(connection))
        ready = standing(connection, versions) is Standing.CURRENT and _keeps_a_log(connection)
        if ready:
            _require_writable(path)
            if _copy_of(path).exists():  # an update that was cut short, or did not succeed
                _require_whole(_driver(connection), path)
    if not ready:
        with _alone(url) as connection:
            with connection.begin():
                found = standing(connection, versions)  # another start may have been faster
            if found is Standing.BEHIND:
                _require_whole(_driver(connection), path)
                _keep_copy(_driver(connection), _copy_of(path))
            if found is not Standing.CURRENT:
                _migrate_whole(connection, path, versions)
    _clear(_copy_of(path))


def _migrate_whole(connection: Connection, path: Path, versions: Path) -> None:
    try:
        with connection.begin():
            _driver(connection).execute("BEGIN EXCLUSIVE")
            _migrate(connection, versions)
            _require_whole(_driver(connection), path)
    except Exception as error:
        full = _code(error) in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)
        kept = _copy_of(path)
        raise Conflict(
            f"The database {path} could not be brought up to date: {_first_line(error)}",
            hint="It is as it was."
            + (" Make room on the disk, then start again." if full else " Please report this.")
            + (
                f" Until then it works with the version before; a copy of it lies in {kept}."
                if kept.exists()
                else ""
            ),
        ) from error


def _migrate(connection: Connection, versions: Path) -> None:
    config = configuration(versions)
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


@contextmanager
def _opened(url: URL) -> Iterator[Connection]:
    engine = create_engine(url, poolclass=NullPool, connect_args={"timeout": _TRY_AGAIN_S})
    with engine.connect() as connection:
        yield connection


@contextmanager
def _alone(url: URL) -> Iterator[Connection]:
    """A connection that keeps every other one out, reading ones too, until it is closed; in its
    transactions tables may be rebuilt, as foreign keys are not followed.

    Raises an error of SQLite that `_is_taken` while another has the file open.
    """
    with _opened(url) as connection:
        raw = _driver(connection)
        raw.isolation_level = None  # a transaction begins where BEGIN stands, and nowhere else
        for pragma in (
            "busy_timeout=0",
            "locking_mode=EXCLUSIVE",
            "journal_mode=WAL",
            "synchronous=FULL",
            "secure_delete=ON",
            "foreign_keys=OFF",
        ):
            raw.execute(f"PRAGMA {pragma}").close()
        raw.execute("BEGIN EXCLUSIVE")  # the lock that it takes stays
        raw.execute("COMMIT")
        yield connection


def _driver(connection: Connection) -> sqlite3.Connection:
    raw = connection.connection.driver_connection
    assert isinstance(raw, sqlite3.Connection)
    return raw


def _keeps_a_log(connection: Connection) -> bool:
    return connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def _copy_of(path: Path) -> Path:
    return path.with_name(path.name + COPY)


def _keep_copy(source: sqlite3.Connection, copy: Path) -> None:
    """Copy the database to `copy`, readable by its owner only; `copy` is whole or as before."""
    part = copy.with_name(copy.name + ".part")
    try:
        _clear(part)
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        copy_database(source, part)
        part.replace(copy)
        _flush_folder(copy.parent)
    except (sqlite3.Error, OSError) as error:
        _clear(part)
        raise Conflict(
            f"No copy of the database could be kept before the update, in {copy}: {error}.",
            hint="Nothing was changed. Make room for it and look that the folder can be written, "
            "then start again.",
        ) from error


def _clear(copy: Path) -> None:
    """Remove the file `copy`, and what was put beside it under its name."""
    for path in copy.parent.iterdir():
        if path.name.startswith(copy.name):
            path.unlink(missing_ok=True)


def _flush_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)  # the name itself must survive a power cut
    finally:
        os.close(handle)


def _require_writable(path: Path) -> None:
    for place_of in (path.parent, path):
        if not os.access(place_of, os.W_OK):
            raise _not_writable(place_of)


def _require_whole(raw: sqlite3.Connection, path: Path) -> None:
    """Raise Conflict unless the database is undamaged and every reference leads to a row."""
    damage = [str(row[0]) for row in raw.execute("PRAGMA integrity_check(3)")]
    lost = raw.execute("PRAGMA foreign_key_check").fetchmany(1)
    if damage == ["ok"] and not lost:
        return
    if damage == ["ok"]:
        table, row, parent, _ = lost[0]
        damage = [f"row {row} of {table} refers to a row of {parent} that is not there"]
    kept = _copy_of(path)
    raise Conflict(
        f"The database {path} is damaged: {'; '.join(damage)}.",
        hint="Restore the data folder from a backup."
        + (f" The database from before the last update lies in {kept}." if kept.exists() else ""),
    )


def _is_taken(error: Exception) -> bool:
    return _code(error) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def _code(error: Exception) -> int:
    """SQLite's result code without its extension; 0 for any other error."""
    raised = error.orig if isinstance(error, DBAPIError) else error
    return getattr(raised, "sqlite_errorcode", 0) & 0xFF


def _told(error: sqlite3.Error | DBAPIError, where: str) -> Conflict:
    """What SQLite refused, as a sentence for whoever runs the server."""
    code = _code(error)
    if _is_taken(error):
        return Conflict(
            f"Another program has the database {where} open, so it cannot be brought up to date.",
            hint="Stop the server that is still running, or wait for the other start to finish; "
            "then start again. Nothing was changed.",
        )
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return _not_writable(Path(where))
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return Conflict(
            f"The database {where} is damaged, or no database: {_first_line(error)}",
            hint="Nothing in it was changed. Restore the data folder from a backup.",
        )
    return Conflict(
        f"The database {where} could not be opened: {_first_line(error)}",
        hint="Look for room on the disk, and whether the disk is well; then start again.",
    )


def _not_writable(where: Path) -> Conflict:
    return Conflict(
        f"{where} cannot be written by the user that runs this program.",
        hint="Give it to that user (chown), with the whole data folder, or run as its owner.",
    )


def _first_line(error: Exception) -> str:
    """The first line of what `error` says, as the end of a sentence."""
    raised = error.orig if isinstance(error, DBAPIError) else error
    text = raised.message if isinstance(raised, PanelError) else str(raised)
    return (text.splitlines() or [type(error).__name__])[0].rstrip(".") + "."
