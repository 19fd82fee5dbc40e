"""The store: one database and one folder, opened together."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Engine, event
from sqlalchemy.pool import ConnectionPoolEntry
from sqlmodel import Session, create_engine

from panel.store.files import FileStore
from panel.store.sealing import Sealer


@dataclass(frozen=True)
class Store:
    """What every stage works on. `sealer` encrypts what must be readable again but not from a
    copy of the database alone (links, mail bodies)."""

    engine: Engine
    files: FileStore
    sealer: Sealer
    clips: dict[str, Any] = field(default_factory=dict)  # cache of decoded clips, see stages

    @contextmanager
    def session(self) -> Iterator[Session]:
        """A session that is rolled back on any error; whoever writes commits, once."""
        with Session(self.engine, expire_on_commit=False) as session:
            yield session

    def now(self) -> datetime:
        return datetime.now(UTC)


def open_engine(url: str) -> Engine:
    """An engine for `url`. SQLite is set to WAL, full synchronisation and foreign keys, and
    every transaction begins IMMEDIATE when it will write (see `write_first`)."""
    if not url.startswith("sqlite"):
        return create_engine(url, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": 30, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _settings(connection: sqlite3.Connection, _record: ConnectionPoolEntry) -> None:
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute("PRAGMA foreign_keys=ON")
        cursor.execute("PRAGMA secure_delete=ON")  # what a listener has removed is overwritten
        cursor.close()

    @event.listens_for(engine, "checkin")
    def _leave_nothing_open(
        connection: sqlite3.Connection | None, _record: ConnectionPoolEntry
    ) -> None:
        # After a COMMIT that failed (disk full), the pool takes the transaction for finished; it
        # would stay open, keep the write lock, and stop every later vote.
        if connection is not None and connection.in_transaction:
            connection.rollback()

    return engine


def forget_deleted(engine: Engine) -> None:
    """Let nothing deleted linger in SQLite's write-ahead log. Best effort: while another reads,
    the log is emptied at a later checkpoint."""
    if engine.dialect.name == "sqlite":
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")


def write_first(session: Session) -> None:
    """Take the write lock now. Call before reading what the same transaction will change, so
    that two writers queue up instead of one failing at its first write (SQLite)."""
    if session.get_bind().dialect.name == "sqlite":
        session.connection().exec_driver_sql("BEGIN IMMEDIATE")
