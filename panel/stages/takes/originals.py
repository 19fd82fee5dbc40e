"""The original files of takes: where they lie, and the sound in them that is the take."""

from collections.abc import Sequence
from pathlib import Path

from sqlmodel import Session, col, select

from panel.audio.reading import files
from panel.audio.reading.stretches import Recording
from panel.errors import NotFound
from panel.store.files import original_key
from panel.store.session import Store
from panel.store.tables import Take, WaitingFile


def path_of(store: Store, take: Take) -> Path:
    """Where the unchanged original lies. Raises NotFound where it is gone."""
    path = store.files.path(original_key(take.sha256))
    if not path.is_file():
        raise NotFound(
            f"The original of take {take.label} is missing from the data folder.",
            hint="Restore the folder from a backup.",
        )
    return path


def opened(store: Store, take: Take) -> Recording:
    """The take's sound: of a file with more than two channels, those that were chosen; where
    there is a leader, what follows it. Read by the stretch, and never held whole."""
    return files.opened(
        path_of(store, take),
        channels=take.kept_channels or None,
        name=f"Take {take.label}",
        begin=take.music_at,
    )


def referred_to(session: Session, sha256s: Sequence[str]) -> set[str]:
    """Those of the given originals that a take of any study is made from, or that wait for it."""
    found: set[str] = set()
    for table in (Take, WaitingFile):
        found |= set(session.exec(select(table.sha256).where(col(table.sha256).in_(sha256s))))
    return found
