"""Files that nothing refers to: left when a server dies between keeping a file and noting it.

They are removed at the start of the server, once they are a week old: what is younger may belong
to an upload or a preparation that is under way, or to a database about to be restored. Where most
originals are unknown, the database is likely another one than theirs, and nothing is removed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import Session, col, select

from panel.stages.takes.originals import referred_to
from panel.store.files import StoredFile
from panel.store.session import Store, write_first
from panel.store.tables import Clip

AGE_S = 7 * 86_400.0
_BATCH = 500


@dataclass(frozen=True)
class Leftovers:
    """How many files, and how many bytes they take; `strange` where most originals are unknown."""

    files: int
    bytes: int
    strange: bool = False


def find(store: Store) -> Leftovers:
    """What nothing refers to now, whatever its age."""
    everything = list(store.files.kept())
    with store.session() as s:
        found = _unreferenced(s, everything)
    unknown = sum(file.key.startswith("original/") for file in found)
    known = sum(file.key.startswith("original/") for file in everything) - unknown
    return Leftovers(len(found), sum(file.bytes for file in found), unknown > known)


def sweep(store: Store, *, age_s: float = AGE_S) -> Leftovers:
    """Remove what nothing refers to and was last written longer ago than `age_s` seconds."""
    if find(store).strange:
        return Leftovers(0, 0, strange=True)
    with store.session() as s:
        found = _unreferenced(s, list(store.files.kept(age_s)))
    removed = []
    for at in range(0, len(found), _BATCH):
        some = found[at : at + _BATCH]
        with store.session() as s:
            write_first(s)  # so that nobody notes one of them meanwhile
            for file in _unreferenced(s, some):
                store.files.remove(file.key)
                removed.append(file)
            s.rollback()
    return Leftovers(len(removed), sum(file.bytes for file in removed))


def _unreferenced(session: Session, files: Sequence[StoredFile]) -> list[StoredFile]:
    found = []
    for at in range(0, len(files), _BATCH):
        some = files[at : at + _BATCH]
        keys = [file.key for file in some]
        hashes = referred_to(session, [key.rsplit("/", 1)[-1] for key in keys])
        clips = set(session.exec(select(Clip.samples_key).where(col(Clip.samples_key).in_(keys))))
        found += [
            file
            for file in some
            if file.key not in clips
            and not (file.key.startswith("original/") and file.key.rsplit("/", 1)[-1] in hashes)
        ]
    return found
