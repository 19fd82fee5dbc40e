"""The migrations make just the tables that the code declares."""

from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlmodel import SQLModel, select

from panel.settings import load
from panel.store.opening import open_store
from panel.store.tables import Organiser


def test_migrated_database_equals_the_declared_tables(tmp_path):
    store = open_store(load(data=tmp_path))
    with store.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, SQLModel.metadata) == []
        assert len(SQLModel.metadata.tables) >= 14


def test_opening_again_keeps_what_is_there(tmp_path):
    first = open_store(load(data=tmp_path))
    with first.session() as session:
        session.add(Organiser(address="ada@example.org", created_at=first.now()))
        session.commit()
    again = open_store(load(data=tmp_path))
    with again.session() as session:
        kept = session.exec(select(Organiser)).one()
    assert kept.address == "ada@example.org"
    assert kept.created_at.tzinfo is not None


def test_sqlite_keeps_acknowledged_rows_through_a_power_cut(tmp_path):
    """Write-ahead log with full synchronisation (sqlite.org/pragma.html: synchronous 2 = FULL)."""
    store = open_store(load(data=tmp_path))
    with store.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
