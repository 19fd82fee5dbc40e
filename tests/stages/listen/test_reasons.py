"""Why listeners preferred what they did: kept apart, sealed, and handed on by choice only."""

import io
import uuid
import zipfile
from pathlib import Path

import pytest
from small_study import SmallStudy, build
from sqlmodel import select

from panel.errors import BadInput, NotAllowed
from panel.report.archive.export import recompute
from panel.settings import load
from panel.stages.conclude import ending, publish
from panel.stages.listen import reasons, visit, votes_in, withdraw
from panel.store.opening import open_store
from panel.store.session import Store
from panel.store.tables import Reason

ASKED = {"ties": True, "reasons": True, "attributes": ["clearer", "warmer"]}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(load(data=tmp_path))


@pytest.fixture
def study(store: Store) -> SmallStudy:
    return build(store, procedures=("abx", "preference"), votes=2, listeners=2, preference=ASKED)


def say(store: Store, link: str, number: int, answer: str, **why: object) -> None:
    votes_in.vote(store, link, number, str(uuid.uuid4()), answer, **why)  # type: ignore[arg-type]


def to_preference(store: Store, link: str) -> visit.TrialView:
    """Go on to the first trial that is a preference."""
    visit.consent(store, link)
    while (trial := visit.next_trial(store, link)) is not None and trial.procedure == "abx":
        say(store, link, trial.number, "one")
    assert trial is not None
    return trial


def test_reasons_are_told_after_the_end_by_what_was_preferred(
    store: Store, study: SmallStudy, tmp_path: Path
) -> None:
    for link in study.links:
        visit.consent(store, link)
        while (trial := visit.next_trial(store, link)) is not None:
            assert trial.reasons == (trial.procedure == "preference")
            if trial.reasons:
                assert trial.answers == ("one", "two", "neither")
                answer = "neither" if trial.first_of_kind else "one"
                say(store, link, trial.number, answer, reason=f"  Zither  {trial.number} ",
                    ticked=["warmer"])  # fmt: skip
            else:
                say(store, link, trial.number, "one")
    with pytest.raises(NotAllowed, match="sealed"):
        reasons.told(store, study.id)
    with pytest.raises(NotAllowed):
        reasons.as_csv(store, study.id)
    ending.close(store, study.id)
    (told,) = (one for one in reasons.told(store, study.id) if one.name == "Adhesive, preference")
    assert sum(side.votes for side in told.sides) == 4
    assert all(side.ticked == (("warmer", side.votes),) for side in told.sides)
    said = [text for side in told.sides for text in side.words]
    assert all(text.startswith("Zither ") for text in said)
    # The anonymised archive has none of it unless the organiser chooses so.
    plain = publish.export(store, study.id)
    chosen = publish.export(store, study.id, with_reasons=True)
    with zipfile.ZipFile(io.BytesIO(plain)) as archive:
        assert "reasons.csv" not in archive.namelist()
        votes = archive.read("votes.csv").decode()
        for name in archive.namelist():
            assert b"Zither 1" not in archive.read(name)
    assert "neither" in votes
    with zipfile.ZipFile(io.BytesIO(chosen)) as archive:
        table = archive.read("reasons.csv").decode().splitlines()
        assert archive.read("votes.csv").decode() == votes
    assert table[0] == "contrast,preferred,ticked,words"
    assert len(table) == 5
    assert table[1:] == sorted(table[1:])
    for name, content in (("plain", plain), ("chosen", chosen)):
        (tmp_path / name).write_bytes(content)
        assert recompute(tmp_path / name).identical


def test_a_reason_that_is_not_asked_for_is_refused_with_the_vote(
    store: Store, study: SmallStudy
) -> None:
    link = study.links[0]
    asked = to_preference(store, link)
    with pytest.raises(BadInput, match="does not ask for that reason"):
        say(store, link, asked.number, "one", ticked=["louder"])
    with pytest.raises(BadInput, match="longer than 500"):
        say(store, link, asked.number, "one", reason="x" * 501)
    with store.session() as s:
        assert not list(s.exec(select(Reason)))
    assert visit.next_trial(store, link) == asked  # nothing was taken


def test_neither_is_no_answer_where_the_plan_does_not_allow_it(store: Store) -> None:
    plain = build(store, procedures=("abx", "preference"), votes=2)
    trial = to_preference(store, plain.links[0])
    assert trial.answers == ("one", "two")
    with pytest.raises(BadInput, match="neither"):
        say(store, plain.links[0], trial.number, "neither")
    with pytest.raises(BadInput, match="does not ask for that reason"):
        say(store, plain.links[0], trial.number, "one", reason="Warm.")


@pytest.mark.parametrize("keep", [True, False])
def test_whoever_withdraws_takes_the_words_along(
    store: Store, study: SmallStudy, keep: bool
) -> None:
    link = study.links[0]
    trial = to_preference(store, link)
    say(store, link, trial.number, "neither", reason="My own words.")
    withdraw.withdraw(store, link, keep_answers=keep)
    with store.session() as s:
        assert not list(s.exec(select(Reason)))
