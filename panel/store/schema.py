"""Of which schema a database is, and whether this program may work on it.

The schemas are the migrations: `schema_1` makes the tables, each later one changes them. What a
database is of, it says itself, in the one row of `alembic_version`.
"""

from enum import Enum
from pathlib import Path

from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect
from sqlmodel import SQLModel

from panel.errors import Conflict
from panel.prose import listed
from panel.store import tables

assert tables.Study.__tablename__ in SQLModel.metadata.tables

MIGRATIONS = Path(__file__).parent / "migrations"
VERSIONS = MIGRATIONS / "versions"
# Before the first release; their tables were made and changed step by step.
UNRELEASED = frozenset(f"{number:04}" for number in range(1, 8))


class OtherSchema(Conflict):
    """The database is of a schema that this program cannot work on."""


class Standing(Enum):
    """How a database stands to this program: without tables yet, of its schema, or of an earlier
    one that the migrations can carry over."""

    NEW = "new"
    CURRENT = "current"
    BEHIND = "behind"


def configuration(versions: Path = VERSIONS) -> Config:
    """Alembic's configuration, with the migrations in the folder `versions`."""
    config = Config()
    config.set_main_option("path_separator", "newline")
    for option, folder in (("script_location", MIGRATIONS), ("version_locations", versions)):
        config.set_main_option(option, str(folder).replace("%", "%%"))
    return config


def standing(connection: Connection, versions: Path = VERSIONS, where: str = "") -> Standing:
    """How the database behind `connection` stands; nothing is written. `where` it lies, in words,
    if not at the place it is opened from.

    Raises OtherSchema, saying what to do, for one that was made by a newer version, by one from
    before the first release, or by something else.
    """
    where = where or place(connection)
    found = MigrationContext.configure(connection).get_current_heads()
    if not found:
        if set(inspect(connection).get_table_names()) & set(SQLModel.metadata.tables):
            raise OtherSchema(
                f"The database {where} holds tables, but does not say of which schema they are.",
                hint="Nothing in it was changed. Restore the data folder from a backup; or, if "
                "nothing in it is needed, set the folder aside and start with a new one.",
            )
        return Standing.NEW
    script = ScriptDirectory.from_config(configuration(versions))
    newest = script.get_current_head()
    if found == (newest,):
        return Standing.CURRENT
    if UNRELEASED.issuperset(found):
        raise OtherSchema(
            f"The database {where} was made before the first release of Fair Hearing, and cannot "
            "be carried over.",
            hint="Nothing in it was changed. Set its folder aside, by renaming it, and start with "
            "a new one; the checkout that made it can still read it.",
        )
    if len(found) > 1 or found[0] not in {known.revision for known in script.walk_revisions()}:
        raise OtherSchema(
            f"The database {where} was made by a newer version of Fair Hearing: it is of "
            f"{_said(*found)}, and this version knows up to {_said(str(newest))}.",
            hint="Nothing in it was changed. Install the newer version again; or restore a backup "
            "from before the update into a new folder, which lacks what came in since.",
        )
    return Standing.BEHIND


def _said(*revisions: str) -> str:
    return listed(revision.replace("_", " ") for revision in revisions)


def place(connection: Connection) -> str:
    """Where the database behind `connection` lies: the path of SQLite's file, else the address
    without its password."""
    if connection.dialect.name == "sqlite":
        for _, name, path in connection.exec_driver_sql("PRAGMA database_list"):
            if name == "main":
                return str(path)
    return connection.engine.url.render_as_string(hide_password=True)
