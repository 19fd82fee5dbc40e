"""A store with a small locked study, and listeners at every stage."""

from pathlib import Path

import pytest
from small_study import ALL_PROCEDURES, SmallStudy, build

from panel.settings import Settings, load
from panel.stages.listen import visit
from panel.store.opening import open_store
from panel.store.session import Store


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return load(data=tmp_path)


@pytest.fixture
def store(settings: Settings) -> Store:
    return open_store(settings)


@pytest.fixture
def study(store: Store) -> SmallStudy:
    return build(store, procedures=ALL_PROCEDURES)


@pytest.fixture
def listener(store: Store, study: SmallStudy) -> str:
    """The link of a listener who has consented."""
    visit.consent(store, study.links[0])
    return study.links[0]


@pytest.fixture
def other_listener(store: Store, study: SmallStudy) -> str:
    visit.consent(store, study.links[1])
    return study.links[1]
