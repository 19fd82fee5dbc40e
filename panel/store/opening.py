"""Opens the store that the settings name, its database brought up to date."""

from sqlalchemy import Engine
from sqlalchemy.exc import ArgumentError

from panel.errors import BadInput, Conflict
from panel.settings import Settings
from panel.store.files import FileStore
from panel.store.schema import Standing
from panel.store.sealing import Sealer
from panel.store.session import Store, open_engine
from panel.store.updating import COPY, bring_up_to_date, look


def open_store(settings: Settings) -> Store:
    """The store in `settings.data`, ready for use.

    Raises Conflict, saying what to do, when the database cannot be used or brought up to date; it
    is then as it was (see `panel.store.updating`).
    """
    require_no_lost_database(settings)
    engine = _engine(settings)
    bring_up_to_date(engine)
    return Store(engine, FileStore(settings.data.resolve()), Sealer(settings.secret))


def standing(settings: Settings) -> Standing:
    """How the database that the settings name stands to this program; nothing is changed.

    Raises Conflict, saying what to do, when it cannot be used.
    """
    require_no_lost_database(settings)
    return look(_engine(settings))


def _engine(settings: Settings) -> Engine:
    try:
        return open_engine(settings.database)
    except (ArgumentError, ModuleNotFoundError) as error:  # its text holds no password
        raise BadInput(
            f"The setting FAIRHEARING_DATABASE_URL cannot be used: {error}.",
            hint="Correct it, or install what it asks for; or leave it empty, for a database in "
            "the data folder.",
        ) from error


def require_no_lost_database(settings: Settings) -> None:
    """Raise Conflict where a new database would take the place of one that was moved away."""
    folder = settings.data.resolve()
    database = folder / "panel.sqlite"
    if settings.database_url or (database.exists() and database.stat().st_size):
        return
    traces = [folder / f"{database.name}{end}" for end in ("-wal", "-journal", COPY)]
    found = [path.name for path in traces if path.exists()]
    if any((folder / "original").glob("*/*")):
        found.append("original")
    if found:
        raise Conflict(
            f"{folder} belongs to a database ({found[0]}), but {database.name} is not in it.",
            hint="Put it back under that name, with what lay beside it; or set "
            "FAIRHEARING_DATABASE_URL, if the database is elsewhere; or restore a backup.",
        )
