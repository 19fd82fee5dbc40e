"""Studies as far as they have come, made once and copied for each test."""

from collections.abc import Callable
from pathlib import Path

import pytest
import recordings
from recordings import Made


@pytest.fixture(scope="session")
def logged_once(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return recordings.logged(tmp_path_factory.mktemp("logged"))


@pytest.fixture(scope="session")
def ready_once(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return recordings.ready(tmp_path_factory.mktemp("ready"))


@pytest.fixture
def empty(tmp_path: Path) -> Made:
    return recordings.empty(tmp_path / "empty")


@pytest.fixture
def logged(logged_once: Made, tmp_path: Path) -> Made:
    return recordings.copy_of(logged_once, tmp_path / "logged")


@pytest.fixture
def ready(ready_once: Made, tmp_path: Path) -> Made:
    return recordings.copy_of(ready_once, tmp_path / "ready")


@pytest.fixture
def fails(monkeypatch: pytest.MonkeyPatch) -> Callable[[object, str], None]:
    """Make a function of a module or object raise from now on, as a full disk would."""

    def fail(owner: object, name: str) -> None:
        def broken(*_: object, **__: object) -> None:
            raise OSError("no space left on device")

        monkeypatch.setattr(owner, name, broken)

    return fail
