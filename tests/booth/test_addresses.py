"""The booth's addresses over HTTP: who gets what, and how bad requests are refused."""

import uuid
from collections.abc import Iterator

import pytest
from small_study import ALL_PROCEDURES, SmallStudy
from sqlmodel import select
from starlette.testclient import TestClient

from panel.app import create_app
from panel.settings import Settings
from panel.stages.listen import visit
from panel.store.session import Store
from panel.store.tables import Vote

JSON = {"Accept": "application/json"}


@pytest.fixture
def client(settings: Settings) -> Iterator[TestClient]:
    with TestClient(create_app(settings)) as client:
        yield client


@pytest.fixture
def practised(store: Store, listener: str) -> str:
    for code in ALL_PROCEDURES:
        visit.mark_done(store, listener, f"practice:{code}")
    return listener


def vote(**changes: object) -> dict[str, object]:
    return {
        "client_id": str(uuid.uuid4()), "trial": 1, "answer": "one", "plays": 2, "seconds": 9,
        "notes": {"hidden": 1, "heard": [1.5, 2]}, **changes,
    }  # fmt: skip


def test_each_loading_of_a_trial_gives_new_addresses_each_good_for_once(
    client: TestClient, practised: str, other_listener: str
) -> None:
    first = client.post(f"/listen/{practised}/trial", json={}).json()
    second = client.post(f"/listen/{practised}/trial", json={}).json()
    assert not set(first["samples"]) & set(second["samples"])
    address = first["samples"][0]
    elsewhere = address.replace(practised, other_listener)
    assert client.get(elsewhere, headers=JSON).status_code == 410
    got = client.get(address)
    assert got.status_code == 200
    assert got.content[:4] == b"RIFF"
    assert client.get(address, headers=JSON).status_code == 410
    # The same slot again: the same sound, but not the same bytes.
    again = client.get(second["samples"][0]).content
    assert len(again) == len(got.content)
    assert again != got.content


def test_a_range_is_not_served_in_parts(client: TestClient, practised: str) -> None:
    address = client.post(f"/listen/{practised}/trial", json={}).json()["samples"][0]
    got = client.get(address, headers={"Range": "bytes=0-99"})
    assert got.status_code == 200
    assert len(got.content) > 1000
    assert not {"etag", "last-modified", "content-range"} & set(got.headers)


def test_no_trial_before_its_practice(client: TestClient, listener: str) -> None:
    assert client.post(f"/listen/{listener}/trial", json={}).json() == {"trial": None}


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({}, 200),
        ({"trial": 2}, 409),
        ({"trial": 99}, 404),
        ({"trial": "1"}, 422),
        ({"answer": "A"}, 400),
        ({"answer": 0}, 422),
        ({"client_id": "me"}, 400),
        ({"plays": -1}, 400),
        ({"seconds": 1.5}, 422),
        ({"notes": {"x": "words"}}, 422),
        ({"notes": {"x": {"y": 1}}}, 422),
        ({"client_id": None, "trial": None}, 422),
    ],
    ids=str,
)
def test_a_vote_is_taken_or_refused_in_a_sentence(
    client: TestClient, store: Store, practised: str, changes: dict[str, object], status: int
) -> None:
    due = client.post(f"/listen/{practised}/trial", json={}).json()["trial"]
    body = vote(**{"answer": due["answers"][0]["value"], **changes})
    reply = client.post(f"/listen/{practised}/vote", json=body, headers=JSON)
    assert reply.status_code == status
    with store.session() as s:
        assert len(list(s.exec(select(Vote)))) == (status == 200)
    if status == 200:
        assert reply.json() == {"saved": 1, "answered": 1, "total": 3 * len(ALL_PROCEDURES) + 1}
    else:
        assert reply.json()["error"]["message"].endswith(".")


@pytest.mark.parametrize("what", ["trial", "vote", "reference", "check", "practice"])
def test_an_unknown_link_gets_nothing(client: TestClient, study: SmallStudy, what: str) -> None:
    body = {**vote(), "kind": "abx"}
    reply = client.post(f"/listen/nobody/{what}", json=body, headers=JSON)
    assert reply.status_code == 404


def test_the_headphone_check_is_scored_on_the_server(client: TestClient, listener: str) -> None:
    made = client.post(f"/listen/{listener}/check", json={}).json()
    assert set(made) == {"id", "rate", "samples"}
    table = client.app.state.presentations  # type: ignore[attr-defined]
    answers = list(table._held[made["id"]].secret[1])
    answers[0] = (answers[0] + 1) % 3  # five of six pass
    given = {"id": made["id"], "answers": answers}
    reply = client.post(f"/listen/{listener}/check/answers", json=given, headers=JSON)
    assert reply.json() == {"outcome": "passed"}
    again = client.post(f"/listen/{listener}/check/answers", json=given, headers=JSON)
    assert again.status_code == 410


@pytest.mark.parametrize("answers", [[], [0] * 5, [0] * 7, [3] * 6, ["0"] * 6, None])
def test_a_malformed_check_is_refused(client: TestClient, listener: str, answers: object) -> None:
    made = client.post(f"/listen/{listener}/check", json={}).json()
    given = {"id": made["id"], "answers": answers}
    reply = client.post(f"/listen/{listener}/check/answers", json=given, headers=JSON)
    assert reply.status_code == 422


@pytest.mark.parametrize("kind", ALL_PROCEDURES)
def test_practice_tells_what_was_right_after_the_answer_only(
    client: TestClient, listener: str, kind: str
) -> None:
    made = client.post(f"/listen/{listener}/practice", json={"kind": kind}).json()
    assert set(made) == {"id", "question", "names", "answers", "rate", "frames", "samples"}
    sounds = [client.get(address).content for address in made["samples"]]
    assert len({len(sound) for sound in sounds}) == 1
    assert len(set(sounds)) == len(sounds)
    assert len(made["names"]) == len(sounds)
    given = made["answers"][0]["value"]
    told = client.post(
        f"/listen/{listener}/practice/answer", json={"id": made["id"], "answer": given}
    ).json()
    if kind == "preference":
        assert told == {"right": None, "correct": None}
    else:
        assert told["correct"] == (told["right"] == given)
        assert told["right"] in [answer["value"] for answer in made["answers"]]
