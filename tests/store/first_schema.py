"""The populated database of the first schema, as it was when that schema was settled."""

import gzip
import shutil
import sqlite3
from pathlib import Path

from panel.store.schema import VERSIONS

HERE = Path(__file__).parent
TABLES = (
    "clip", "contrast", "excerpt", "factor", "found_leader", "listener", "message", "organiser",
    "plan", "reason", "sign_in", "sign_in_failure", "study", "take", "trial", "verdict", "vote",
    "waiting_file", "withdrawal",
)  # fmt: skip

Rows = dict[str, list[dict[str, object]]]


def write(database: Path) -> Path:
    """Make the populated database, as a server leaves it: with a write-ahead log."""
    connection = sqlite3.connect(database)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.executescript(gzip.decompress((HERE / "first_schema.sql.gz").read_bytes()).decode())
    connection.close()
    return database


def rows(database: Path) -> Rows:
    """Every row of every table by the table's name, in the order of the rows' ids."""
    connection = sqlite3.connect(database)
    connection.row_factory = sqlite3.Row
    try:
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        return {
            name: [
                dict(row) for row in connection.execute(f'SELECT * FROM "{name}" ORDER BY rowid')
            ]
            for (name,) in names.fetchall()
        }
    finally:
        connection.close()


def with_trial(folder: Path) -> Path:
    """A folder of migrations: those of the program, and the trial after them."""
    shutil.copytree(VERSIONS, folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(HERE / "trial_migration.py", folder)
    return folder
