"""The migrations make just the tables that the code declares, under the same names."""

import shutil
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect
from sqlmodel import SQLModel, create_engine, select

from panel.settings import load
from panel.store.migrations.__main__ import draft
from panel.store.opening import open_store
from panel.store.schema import VERSIONS, configuration
from panel.store.session import open_engine
from panel.store.tables import Organiser
from panel.store.updating import bring_up_to_date


def constraints(connection: Connection) -> dict[str, dict[str, object]]:
    """By table: its columns, keys and indices, each with its name."""
    seen = inspect(connection)

    def by_name(found: list[dict[str, object]]) -> dict[object, dict[str, object]]:
        assert all(one["name"] for one in found), found
        return {one["name"]: {**one, "type": str(one.get("type"))} for one in found}

    return {
        table: {
            "columns": by_name(seen.get_columns(table)),
            "references": by_name(seen.get_foreign_keys(table)),
            "unique": by_name(seen.get_unique_constraints(table)),
            "indices": by_name(seen.get_indexes(table)),
            "checks": by_name(seen.get_check_constraints(table)),
            "key": seen.get_pk_constraint(table),
        }
        for table in seen.get_table_names()
        if table != "alembic_version"
    }


def test_migrated_database_equals_the_declared_tables(tmp_path: Path) -> None:
    store = open_store(load(data=tmp_path))
    declared = create_engine("sqlite://")
    with store.engine.connect() as connection, declared.connect() as wanted:
        opts = {"compare_type": True, "compare_server_default": True}
        context = MigrationContext.configure(connection, opts=opts)
        assert compare_metadata(context, SQLModel.metadata) == []
        SQLModel.metadata.create_all(wanted)
        found = constraints(connection)
        assert found == constraints(wanted)
        assert len(found) >= 19
        assert all(table["key"]["name"] == f"pk_{name}" for name, table in found.items())
        assert found["vote"]["references"]["fk_vote_trial_id"]["referred_table"] == "trial"
        assert "uq_vote_study_id_sequence" in found["vote"]["unique"]
        assert "ix_vote_study_id_received_at" in found["vote"]["indices"]
    store.engine.dispose()
    declared.dispose()


def test_schemas_follow_one_another_in_one_line() -> None:
    script = ScriptDirectory.from_config(configuration())
    line = [step.revision for step in script.walk_revisions()][::-1]
    assert line == [f"schema_{number}" for number in range(1, len(line) + 1)]


def test_a_draft_is_the_next_schema_and_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    versions = Path(shutil.copytree(VERSIONS, tmp_path / "versions"))
    newest = len(list(versions.glob("schema_*.py")))
    made = draft("Keep the room of a listener", versions)
    assert made.name == f"schema_{newest + 1}_keep_the_room_of_a_listener.py"
    text = made.read_text()
    assert f"Revises: schema_{newest}\n" in text
    assert "    pass\n" in text.split("def upgrade() -> None:\n")[1]  # the tables are as declared
    engine = open_engine(f"sqlite:///{tmp_path / 'panel.sqlite'}")
    bring_up_to_date(engine, versions)
    with engine.connect() as connection:
        assert MigrationContext.configure(connection).get_current_revision() == (
            f"schema_{newest + 1}"
        )
    engine.dispose()


@pytest.mark.parametrize("name", ["a?b=c", "a%20b", "a#b", "ä b"])
def test_the_database_lies_in_its_folder_whatever_that_is_called(tmp_path: Path, name: str) -> None:
    for _ in range(2):
        open_store(load(data=tmp_path / name)).engine.dispose()
    assert sorted(path.name for path in tmp_path.rglob("*")) == sorted(
        [name, "panel.sqlite", "secret"]
    )


def test_opening_again_keeps_what_is_there(tmp_path: Path) -> None:
    first = open_store(load(data=tmp_path))
    with first.session() as session:
        session.add(Organiser(address="ada@example.org", created_at=first.now()))
        session.commit()
    again = open_store(load(data=tmp_path))
    with again.session() as session:
        kept = session.exec(select(Organiser)).one()
    assert kept.address == "ada@example.org"
    assert kept.created_at.tzinfo is not None


def test_sqlite_keeps_acknowledged_rows_through_a_power_cut(tmp_path: Path) -> None:
    """Write-ahead log with full synchronisation (sqlite.org/pragma.html: synchronous 2 = FULL)."""
    store = open_store(load(data=tmp_path))
    with store.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
