"""Copying a SQLite database into a file of its own, while others may be writing to it."""

import sqlite3
from pathlib import Path


def copy_database(source: sqlite3.Connection, target: Path) -> None:
    """Write what `source` holds, as one transaction sees it, to the file `target`.

    The copy is one file with nothing beside it, flushed to the disk. Raises sqlite3.Error when it
    cannot be written or read; what was written by then stays.
    """
    writing = sqlite3.connect(target)
    try:
        source.backup(writing)
        writing.execute("PRAGMA journal_mode=DELETE")
    finally:
        writing.close()
