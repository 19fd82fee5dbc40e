"""The populated database of the first schema: full, whole, and carried over row for row."""

import io
import sqlite3
import zipfile
from pathlib import Path

import first_schema
from first_schema import TABLES, rows
from populated import SECRET, populate
from sqlalchemy import inspect
from sqlmodel import SQLModel

from panel.settings import load
from panel.stages.conclude import carried_over
from panel.stages.listeners import invite
from panel.store.opening import open_store
from panel.store.session import open_engine
from panel.store.updating import bring_up_to_date

# Columns that a later migration dropped or renamed, as "table.column": they alone may be missing.
GONE: frozenset[str] = frozenset()


def assert_full(database: Path, tables: tuple[str, ...]) -> None:
    """Every table has rows, every column a value in one of them."""
    held = rows(database)
    nothing = (None, "", b"", "[]", "{}", "null")
    assert [table for table in tables if not held[table]] == []
    assert [
        f"{table}.{column}"
        for table in tables
        for column in held[table][0]
        if all(row[column] in nothing for row in held[table])
    ] == []


def assert_carried(before: first_schema.Rows, after: first_schema.Rows) -> None:
    """Each row that was there is there, with each of its values under the same name."""
    for table, were in before.items():
        if table == "alembic_version":
            continue
        names = [name for name in were[0] if f"{table}.{name}" not in GONE]
        assert [[row[name] for name in names] for row in after[table]] == [
            [row[name] for name in names] for row in were
        ], table


def test_every_table_of_the_first_schema_has_rows_and_every_column_a_value(tmp_path: Path) -> None:
    database = first_schema.write(tmp_path / "panel.sqlite")
    assert {*rows(database)} == {*TABLES, "alembic_version"}
    assert_full(database, TABLES)
    with sqlite3.connect(database) as connection:
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert rows(database)["alembic_version"] == [{"version_num": "schema_1"}]


def test_what_fills_the_tables_fills_those_of_today_too(tmp_path: Path) -> None:
    made = populate(tmp_path)
    made.store.engine.dispose()
    assert_full(tmp_path / "panel.sqlite", tuple(sorted(SQLModel.metadata.tables)))


def test_all_migrations_carry_it_over_row_for_row(tmp_path: Path) -> None:
    database = first_schema.write(tmp_path / "panel.sqlite")
    before = rows(database)
    there = {f"{table}.{name}" for table, held in before.items() for name in held[0]}
    assert there >= GONE
    store = open_store(load(data=tmp_path))
    assert_carried(before, rows(database))
    after = rows(database)
    assert {row["carrier"] for row in after["study"]} == {""}
    assert {(row["specimen"], row["session"]) for row in after["take"]} == {("", "")}
    assert after["drawn_order"] == []
    with store.engine.connect() as connection:
        there = inspect(connection).get_table_names()
    assert set(SQLModel.metadata.tables) <= set(there)
    store.engine.dispose()


def test_the_trial_rebuilds_tables_under_all_that_refers_to_them(tmp_path: Path) -> None:
    database = first_schema.write(tmp_path / "panel.sqlite")
    before = rows(database)
    engine = open_engine(f"sqlite:///{database}")
    bring_up_to_date(engine, first_schema.with_trial(tmp_path / "versions"))
    after = rows(database)
    assert_carried(before, after)
    assert after["alembic_version"] == [{"version_num": "trial"}]
    assert {row["language"] for row in after["study"]} == {"en"}
    assert {row["study_id"] for row in after["room"]} == {row["id"] for row in before["study"]}
    with engine.connect() as connection:
        (key,) = inspect(connection).get_foreign_keys("listener")
        assert key["options"] == {"ondelete": "RESTRICT"}
        referring = {
            (table, key["referred_table"])
            for table in TABLES
            for key in inspect(connection).get_foreign_keys(table)
        }
        assert {("vote", "listener"), ("trial", "study"), ("found_leader", "take")} <= referring
        assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
    engine.dispose()
    left = sorted(path.name for path in tmp_path.glob("panel.sqlite*"))
    assert left == ["panel.sqlite"]


def test_the_program_works_on_what_was_carried_over(tmp_path: Path) -> None:
    """The concluded study's plan and votes come out as they were; sealed links open."""
    database = first_schema.write(tmp_path / "panel.sqlite")
    held = rows(database)
    settings = load(data=tmp_path, secret=SECRET)
    store = open_store(settings)
    (verdict,) = held["verdict"]
    study_id = verdict["study_id"]
    assert isinstance(study_id, int)
    (plan,) = [row["canonical"] for row in held["plan"] if row["study_id"] == study_id]
    votes = [row for row in held["vote"] if row["study_id"] == study_id]
    assert votes
    with zipfile.ZipFile(io.BytesIO(carried_over.export(store, study_id))) as archive:
        assert archive.read("plan.json") == plan
        assert len(archive.read("votes.csv").decode().splitlines()) == 1 + len(votes)
        assert "verdict.json" not in archive.namelist()
    invited = next(row for row in held["message"] if row["listener_id"])
    assert isinstance(invited["listener_id"], int)
    assert "/listen/" in invite.personal_link(store, settings, invited["listener_id"])
    store.engine.dispose()
