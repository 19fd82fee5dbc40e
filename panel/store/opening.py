"""Opens the store that the settings name, and brings its tables up to date."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, Engine

from panel.settings import Settings
from panel.store.files import FileStore
from panel.store.sealing import Sealer
from panel.store.session import Store, open_engine

MIGRATIONS = Path(__file__).parent / "migrations"


def open_store(settings: Settings) -> Store:
    """The store in `settings.data`, ready for use."""
    engine = open_engine(settings.database)
    bring_up_to_date(engine)
    return Store(engine, FileStore(settings.data.resolve()), Sealer(settings.secret))


def bring_up_to_date(engine: Engine) -> None:
    """Run the migrations that this database has not had yet."""
    with engine.begin() as connection:
        command.upgrade(migration_config(connection), "head")


def migration_config(connection: Connection) -> Config:
    """Alembic's configuration for `connection`."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    return config
