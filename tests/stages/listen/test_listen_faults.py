"""Break each write of a vote at every point: the answer may be lost, never the truth."""

import itertools
import shutil
import uuid
from collections.abc import Callable
from pathlib import Path
from threading import Thread

import pytest
from small_study import build
from sqlalchemy import event
from sqlmodel import select

from panel.errors import Conflict
from panel.settings import load
from panel.stages.listen import visit, votes_in
from panel.store.files import FileStore
from panel.store.opening import open_store
from panel.store.sealing import Sealer, code_hash, new_code
from panel.store.session import Store, open_engine
from panel.store.tables import Listener, Study, Vote


class DiskFullError(Exception):
    pass


def breaking(
    store: Store, nth: int, for_ever: bool
) -> tuple[Callable[[], int], Callable[[], None]]:
    """Let the nth statement or commit fail; returns how often it did, and a mender."""
    count, hit, armed = 0, 0, True

    def fail(*_: object) -> None:
        nonlocal count, hit
        count += 1
        if armed and (count == nth or (for_ever and count > nth)):
            hit += 1
            raise DiskFullError

    def mend() -> None:
        nonlocal armed
        armed = False

    commit = store.engine.dialect.do_commit

    def failing_commit(connection: object) -> None:
        fail()
        commit(connection)  # type: ignore[arg-type]

    event.listen(store.engine, "before_cursor_execute", fail)
    store.engine.dialect.do_commit = failing_commit  # type: ignore[method-assign]
    return lambda: hit, mend


@pytest.fixture
def fresh(tmp_path: Path) -> Callable[[], tuple[Path, Store]]:
    """A maker of copies of one small study with two listeners, each in a folder of its own."""
    first = tmp_path / "first"
    store = open_store(load(data=first))
    build(store, listeners=2, votes=1)
    store.engine.dispose()

    def copy() -> tuple[Path, Store]:
        folder = tmp_path / uuid.uuid4().hex
        shutil.copytree(first, folder)
        return folder, opened(folder)

    return copy


def opened(folder: Path) -> Store:
    """The store in `folder`, without looking for migrations again."""
    engine = open_engine(f"sqlite:///{folder / 'panel.sqlite'}")
    return Store(engine, FileStore(folder), Sealer("a test's secret"))


def links(store: Store) -> list[str]:
    """Give both listeners a link that is known here."""
    codes = [new_code(), new_code()]
    with store.session() as s:
        for listener, code in zip(s.exec(select(Listener)), codes, strict=True):
            listener.link_hash = code_hash(code)
            s.add(listener)
        s.commit()
    return codes


@pytest.mark.parametrize("for_ever", [False, True], ids=["fails once", "keeps failing"])
def test_vote_is_kept_once_wherever_a_write_fails(
    fresh: Callable[[], tuple[Path, Store]], for_ever: bool
) -> None:
    for nth in itertools.count(1):
        folder, store = fresh()
        link = links(store)[0]
        visit.consent(store, link)
        own = str(uuid.uuid4())
        hits, mend = breaking(store, nth, for_ever)
        try:
            votes_in.vote(store, link, 1, own, "one")
            accepted = True
        except DiskFullError:
            accepted = False
        reopened = opened(folder)
        kept = count(reopened)
        assert kept == 1 if accepted else kept <= 1
        mend()
        votes_in.vote(store, link, 1, own, "one")  # the booth sends it again
        assert count(opened(folder)) == 1
        if not hits():
            break
    assert nth > 5, "hardly a write was broken: this test proved nothing"


@pytest.mark.parametrize("for_ever", [False, True], ids=["fails once", "keeps failing"])
def test_consent_gives_all_trials_or_none_wherever_a_write_fails(
    fresh: Callable[[], tuple[Path, Store]], for_ever: bool
) -> None:
    for nth in itertools.count(1):
        _, store = fresh()
        first, second = links(store)
        hits, mend = breaking(store, nth, for_ever)
        with_error = False
        try:
            visit.consent(store, first)
        except DiskFullError:
            with_error = True
        assert with_error == bool(hits())
        mend()
        visit.consent(store, first)
        visit.consent(store, second)
        with store.session() as s:
            ordinals = sorted(
                one.ordinal for one in s.exec(select(Listener)) if one.ordinal is not None
            )
        assert ordinals == [0, 1], "a failed consent must leave no hole in the schedule"
        assert visit.enter(store, first).total == 5
        if not hits():
            break
    assert nth > 5


def test_two_tabs_at_once_give_one_vote_and_sequences_have_no_hole(tmp_path: Path) -> None:
    store = open_store(load(data=tmp_path))
    booths = build(store, listeners=6, votes=2).links
    for link in booths:
        visit.consent(store, link)
    refused: list[Conflict] = []

    def tab(link: str) -> None:
        for number in range(1, 10):
            try:
                votes_in.vote(store, link, number, str(uuid.uuid4()), "one")
            except Conflict as conflict:
                refused.append(conflict)

    threads = [Thread(target=tab, args=(link,)) for link in booths for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with store.session() as s:
        votes = list(s.exec(select(Vote).order_by(Vote.sequence)))
        study = s.exec(select(Study)).one()
    assert len({vote.trial_id for vote in votes}) == len(votes)
    assert [vote.sequence for vote in votes] == list(range(1, len(votes) + 1))
    assert study.next_sequence == len(votes) + 1
    assert len(votes) + len(refused) == 6 * 2 * 9
    assert len(refused) >= 6 * 9


def count(store: Store) -> int:
    with store.session() as s:
        return len(list(s.exec(select(Vote))))
