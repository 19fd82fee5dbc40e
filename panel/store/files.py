"""The file store: original takes and prepared clips in a local folder.

Keys are relative paths of our own making (`original/ab/abcd…`, `clip/…`). A file appears under
its key whole or not at all: it is written beside, flushed to the disk, then renamed.
"""

import hashlib
import os
import re
import secrets
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISREG

from panel.errors import NotFound, TooLarge

_KEY = re.compile(r"[a-z]+(/[A-Za-z0-9._+-]+)+")


@dataclass(frozen=True)
class StoredFile:
    """A file that lies in the store."""

    key: str
    bytes: int


@dataclass(frozen=True)
class FileStore:
    """Files under `root`, by key."""

    root: Path

    def path(self, key: str) -> Path:
        """Where `key` lies. Raises NotFound for a key that is not one of ours."""
        if not _KEY.fullmatch(key) or ".." in key:
            raise NotFound("There is no such file.")
        return self.root / key

    def has(self, key: str) -> bool:
        return self.path(key).is_file()

    def write(self, key: str, content: bytes) -> None:
        target = self.path(key)
        part = self._part()
        with part.open("wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        self._put(part, target)

    def read(self, key: str) -> bytes:
        try:
            return self.path(key).read_bytes()
        except FileNotFoundError:
            raise NotFound(
                "A file of this study is missing from the data folder.",
                hint="Restore the folder from a backup; `fairhearing doctor` lists what is gone.",
            ) from None

    def keep_original(self, chunks: Iterable[bytes], limit: int) -> tuple[str, str, int]:
        """Store an upload unchanged under its SHA-256; returns (key, sha256, bytes).

        Raises TooLarge past `limit` bytes; nothing stays behind then.
        """
        digest = hashlib.sha256()
        size = 0
        part = self._part()
        try:
            with part.open("wb") as out:
                for chunk in chunks:
                    size += len(chunk)
                    if size > limit:
                        raise TooLarge(
                            f"The file is larger than {limit // 2**20} MiB.",
                            hint="Cut the take to the part you need, or raise the limit "
                            "(FAIRHEARING_UPLOAD_LIMIT_MIB).",
                        )
                    digest.update(chunk)
                    out.write(chunk)
                out.flush()
                os.fsync(out.fileno())
            name = digest.hexdigest()
            key = original_key(name)
            self._put(part, self.path(key))
        finally:
            part.unlink(missing_ok=True)
        return key, name, size

    def kept(self, age_s: float = 0.0) -> Iterator[StoredFile]:
        """Originals, clips and unfinished uploads last written longer ago than `age_s` seconds."""
        latest = time.time() - age_s
        for part in ("original", "clip", "incoming"):
            for path in (self.root / part).rglob("*"):
                try:
                    told = path.stat()
                except FileNotFoundError:
                    continue  # removed meanwhile
                key = path.relative_to(self.root).as_posix()
                # What has no key of ours was put there by somebody else, and is left alone.
                if S_ISREG(told.st_mode) and told.st_mtime <= latest and _KEY.fullmatch(key):
                    yield StoredFile(key, told.st_size)

    def remove(self, key: str) -> None:
        self.path(key).unlink(missing_ok=True)

    def _part(self) -> Path:
        folder = self.root / "incoming"
        folder.mkdir(parents=True, exist_ok=True)
        return folder / secrets.token_hex(12)

    def _put(self, part: Path, target: Path) -> None:
        target.parent.mkdir(parents=True, exist_ok=True)
        part.replace(target)
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)  # the name itself must survive a power cut
        finally:
            os.close(folder)


def original_key(sha256: str) -> str:
    """The key under which the original with this hash is kept."""
    return f"original/{sha256[:2]}/{sha256}"
