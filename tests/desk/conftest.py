"""A desk's door in front of studies as far as they have come, each made once and copied."""

from pathlib import Path

import desk_cast
import pytest
import recordings
from desk_cast import Door
from recordings import Made


@pytest.fixture(scope="session")
def logged_once(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return recordings.logged(tmp_path_factory.mktemp("logged"))


@pytest.fixture(scope="session")
def ready_once(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return recordings.ready(tmp_path_factory.mktemp("ready"))


@pytest.fixture
def empty(tmp_path: Path) -> Door:
    return desk_cast.door(recordings.empty(tmp_path / "empty"))


@pytest.fixture
def logged(logged_once: Made, tmp_path: Path) -> Door:
    return desk_cast.door(recordings.copy_of(logged_once, tmp_path / "logged"))


@pytest.fixture
def ready(ready_once: Made, tmp_path: Path) -> Door:
    return desk_cast.door(recordings.copy_of(ready_once, tmp_path / "ready"))
