"""Opens the store that the settings name, and brings its tables up to date."""

from sqlmodel import SQLModel

from panel.settings import Settings
from panel.store import tables  # noqa: F401  (registers the tables)
from panel.store.files import FileStore
from panel.store.sealing import Sealer
from panel.store.session import Store, open_engine


def open_store(settings: Settings) -> Store:
    """The store in `settings.data`, ready for use."""
    engine = open_engine(settings.database)
    SQLModel.metadata.create_all(engine)
    return Store(engine, FileStore(settings.data.resolve()), Sealer(settings.secret))
