"""Drafts the migration from the newest schema to the tables of `panel.store.tables`.

    python -m panel.store.migrations "Keep the room of a listener"

writes the next file in versions/, to be read, put right and shown on the populated database.
"""

import re
import sys
from pathlib import Path

from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

from panel.store.schema import VERSIONS, configuration


def draft(what: str, versions: Path = VERSIONS) -> Path:
    """Write the migration's file and return its path."""
    config = configuration(versions)
    number = len(list(ScriptDirectory.from_config(config).walk_revisions())) + 1
    name = "_".join(re.findall(r"[a-z0-9]+", what.lower()))
    engine = create_engine("sqlite://")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        command.revision(config, what, autogenerate=True, rev_id=f"schema_{number}")
    engine.dispose()
    return versions / f"schema_{number}_{name}.py"


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    print(draft(sys.argv[1]))
