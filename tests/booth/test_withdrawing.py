"""Taking the consent back: what goes, what stays, and what the results say of it."""

import uuid
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from small_study import SmallStudy, build
from sqlmodel import select
from vote_records import listener_rows

from panel.app import create_app
from panel.errors import Conflict, Gone
from panel.report.archive.export import recompute
from panel.settings import Settings
from panel.stages.conclude import ending, publish, vote_table, watch
from panel.stages.listen import visit, votes_in, withdraw
from panel.stages.listeners import invite
from panel.store.session import Store
from panel.store.tables import Listener, Message, Trial, Vote, Withdrawal

JSON = {"Accept": "application/json"}


@pytest.fixture
def small(store: Store) -> SmallStudy:
    return build(store, procedures=("abx",), votes=3, listeners=3)


def voted(store: Store, link: str) -> list[str]:
    """All trials of a listener answered; returns the ids of the votes."""
    visit.consent(store, link)
    ids = []
    while (trial := visit.next_trial(store, link)) is not None:
        ids.append(str(uuid.uuid4()))
        votes_in.vote(store, link, trial.number, ids[-1], "one", plays=3, seconds=9)
    visit.finish(store, link, "A tram passed.")
    return ids


def bytes_kept(store: Store) -> bytes:
    """Everything the database holds on the disk, its log included."""
    path = Path(str(store.engine.url.database))
    return b"".join(
        part.read_bytes() for part in path.parent.glob(path.name + "*") if part.is_file()
    )


def test_removed_answers_are_gone_from_the_disk_too(
    store: Store, settings: Settings, small: SmallStudy
) -> None:
    invite.invite(store, settings, small.id, "ada@example.org")
    with store.session() as s:
        ada = s.exec(select(Listener).where(Listener.address == "ada@example.org")).one()
        code = store.sealer.open(ada.link_sealed)
    ids = voted(store, code)
    others = voted(store, small.links[0])
    before = bytes_kept(store)
    for trace in (*ids, "ada@example.org", "A tram passed."):
        assert trace.encode() in before
    assert withdraw.withdraw(store, code, keep_answers=False).answers == len(ids) == 4
    after = bytes_kept(store)
    for trace in (*ids, "ada@example.org", ada.code):
        assert trace.encode() not in after
    assert others[0].encode() in after
    with store.session() as s:
        for table in (Vote, Trial, Message):
            assert not s.exec(select(table).where(table.listener_id == ada.id)).all()
        assert s.get(Listener, ada.id) is None
    # Once more changes nothing, and the link takes nothing more.
    assert withdraw.withdraw(store, code, keep_answers=True).answers == 4
    with pytest.raises(Gone, match="withdrawn"):
        visit.next_trial(store, code)
    with pytest.raises(Gone, match="withdrawn"):
        votes_in.vote(store, code, 1, str(uuid.uuid4()), "one")


def test_answers_that_stay_lose_every_tie(store: Store, small: SmallStudy) -> None:
    link = small.links[0]
    ids = voted(store, link)
    withdraw.withdraw(store, link, keep_answers=True)
    with store.session() as s:
        votes = s.exec(select(Vote).where(Vote.client_id.in_(ids))).all()  # type: ignore[attr-defined]
        row = s.get_one(Listener, votes[0].listener_id)
        trace = s.exec(select(Withdrawal)).one()
    assert len(votes) == len(ids)
    assert (row.address, row.link_sealed, row.remarks) == (None, None, "")
    assert trace.code != row.code
    assert trace.link_hash != row.link_hash
    with pytest.raises(Gone, match="withdrawn"):
        visit.next_trial(store, link)


def test_counts_verdict_and_archive_tell_of_it(
    store: Store, small: SmallStudy, tmp_path: Path
) -> None:
    for link in small.links:
        voted(store, link)
    withdraw.withdraw(store, small.links[0], keep_answers=False)
    withdraw.withdraw(store, small.links[1], keep_answers=True)
    seen = watch.progress(store, small.id)
    assert (seen.withdrew, seen.votes) == (2, 8)
    told = ending.close(store, small.id).withdrawn
    assert told is not None
    assert (told.removed, told.kept, told.answers_removed) == (1, 1, 4)
    votes, rows = vote_table.vote_table(store, small.id)
    assert len(votes) == 8
    assert sorted((row.withdrew, row.votes, row.votes_removed) for row in listener_rows(rows)) == [
        ("", 4, 0), ("kept", 4, 0), ("removed", 0, 4),
    ]  # fmt: skip
    archive = tmp_path / "export.zip"
    archive.write_bytes(publish.export(store, small.id))
    # After the end the third listener may be cut loose, and the archive stays what it was.
    with pytest.raises(Gone, match="results are worked out"):
        withdraw.withdraw(store, small.links[2], keep_answers=False)
    withdraw.withdraw(store, small.links[2], keep_answers=True)
    assert archive.read_bytes() == publish.export(store, small.id)
    assert recompute(archive).identical
    assert watch.progress(store, small.id).withdrew == 2


def test_whoever_has_not_agreed_has_nothing_to_take_back(store: Store, small: SmallStudy) -> None:
    with pytest.raises(Conflict, match="not agreed"):
        withdraw.withdraw(store, small.links[0], keep_answers=False)


@pytest.mark.parametrize(
    ("choice", "words"), [("remove", "4 answers are deleted"), ("keep", "stay under a random code")]
)
def test_over_http_it_is_one_press(
    settings: Settings, store: Store, small: SmallStudy, choice: str, words: str
) -> None:
    link = small.links[0]
    voted(store, link)
    with TestClient(create_app(settings)) as client:
        asked = client.get(f"/listen/{link}/withdraw").text
        assert "4 answers of yours are kept so far" in asked
        nonsense = client.post(f"/listen/{link}/withdraw", data={"answers": "x"}, headers=JSON)
        assert nonsense.status_code == 400
        done = client.post(f"/listen/{link}/withdraw", data={"answers": choice})
        assert done.status_code == 200
        assert "You have withdrawn" in done.text
        assert words in done.text
        for what in ("trial", "vote", "reference"):
            body = {"client_id": str(uuid.uuid4()), "trial": 1, "answer": "one"}
            assert client.post(f"/listen/{link}/{what}", json=body, headers=JSON).status_code == 410
