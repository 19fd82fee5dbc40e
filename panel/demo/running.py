"""Where the demo lies, whether it is built, and what is said about it.

The demo is built in a folder beside its place and moved there when it is whole, so that a build
that was interrupted leaves nothing half-made to be met later.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import panel
from panel.demo.built import Built
from panel.errors import Conflict
from panel.settings import Settings, load
from panel.store.opening import open_store
from panel.store.schema import OtherSchema
from panel.store.session import Store

NOTE = "demo.json"
UNFINISHED = "unfinished"
FORMAT = "larkfield-demo/1"


@dataclass(frozen=True)
class Place:
    """The demo's folder and the settings of its server."""

    folder: Path
    settings: Settings

    def on(self, port: int) -> Place:
        return replace(self, settings=_settings(self.folder, port))


def place(folder: Path | None, port: int | None) -> Place:
    """The demo's place. Without a folder: in the clone's `.fair-hearing/demo`, git-ignored."""
    root = Path(panel.__file__).resolve().parent.parent
    if not (root / "pyproject.toml").is_file():
        root = Path.cwd()
    folder = (folder or root / ".fair-hearing" / "demo").resolve()
    if folder.exists() and not folder.is_dir():
        raise Conflict(f"{folder} is a file.", hint="Name a folder for the demo with --data.")
    return Place(folder, _settings(folder, port))


def ready(place: Place) -> Built:
    """The demo in its place, built now if it is not there yet, with progress on stderr.

    Raises Conflict if the folder holds something else.
    """
    kept = place.folder / NOTE
    if kept.is_file():
        return _read(kept)
    strangers = [
        path.name for path in place.folder.iterdir() if path.name not in (UNFINISHED, "secret")
    ]
    if strangers:
        raise Conflict(
            f"{place.folder} holds something else ({strangers[0]}), and no demo.",
            hint="Name an empty folder with --data; the demo keeps its own.",
        )
    from panel.demo.build import build

    unfinished = place.folder / UNFINISHED
    shutil.rmtree(unfinished, ignore_errors=True)
    built = build(place.settings.model_copy(update={"data": _made(unfinished)}))
    for path in sorted(unfinished.iterdir()):
        path.rename(place.folder / path.name)
    unfinished.rmdir()
    note = unfinished.with_suffix(".json")
    note.write_text(json.dumps({"format": FORMAT, **asdict(built)}, indent=1))
    note.rename(kept)
    return built


def summary(place: Place, built: Built) -> dict[str, Any]:
    """What `--once` prints: addresses, number of votes, and each contrast's verdict."""
    from panel.stages.conclude import ending

    store = _opened(place)
    verdict = ending.verdict(store, built.closed_id)
    keys = ("name", "role", "procedure", "verdict", "correct", "trials")
    return {
        "desk_url": _desk_link(store, place.settings, built),
        "listener_url": _listener_link(store, place.settings, built),
        "votes": built.votes,
        "export": str(place.folder / built.export),
        "contrasts": [{key: getattr(entry, key) for key in keys} for entry in verdict.contrasts],
    }


def welcome(place: Place, built: Built) -> list[str]:
    """What is printed while the demo's server starts."""
    store = _opened(place)
    return [
        "",
        "Larkfield Pickups, a workshop that does not exist, has asked forty simulated listeners.",
        "",
        "The desk, signed in (this link works once, within a day; start again for another):",
        f"  {_desk_link(store, place.settings, built)}",
        "",
        "The booth, as one invited listener of a study that is still open:",
        f"  {_listener_link(store, place.settings, built)}",
        "",
        f"The closed study's votes and plan: {place.folder / built.export}",
        f"Serving on {place.settings.address}. Stop with Ctrl-C.",
        "",
    ]


def _opened(place: Place) -> Store:
    try:
        return open_store(place.settings)
    except OtherSchema as error:
        raise Conflict(
            f"The demo in {place.folder} was built by another version of Fair Hearing, and this "
            "one cannot read it.",
            hint="Remove that folder, or rename it, or name another with --data; the demo is built "
            "afresh.",
        ) from error


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def _settings(folder: Path, port: int | None) -> Settings:
    """Settings of the demo alone: whatever is set for a real server stays out of it."""
    return load(
        data=folder, port=port, host="127.0.0.1", public_url="", database_url="", secret="",
        smtp_host="", mail_from="",
    )  # fmt: skip


def _desk_link(store: Store, settings: Settings, built: Built) -> str:
    from panel.stages import accounts

    return f"{settings.address}/desk/enter/{accounts.one_time_code(store, built.organiser)}"


def _listener_link(store: Store, settings: Settings, built: Built) -> str:
    from panel.stages.listeners import invite

    return invite.personal_link(store, settings, built.listener_id)


def _read(path: Path) -> Built:
    try:
        kept = json.loads(path.read_text())
        if kept.pop("format") != FORMAT:
            raise ValueError
        return Built(**kept)
    except (ValueError, KeyError, TypeError, AttributeError):
        raise Conflict(
            f"{path} is not a note of this version's demo.",
            hint="Remove that folder, or name another with --data; the demo is built afresh.",
        ) from None
