"""A listener's way through the booth, and who is turned away where."""

import uuid
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from small_study import SmallStudy, build
from sqlmodel import select

from panel.design.schedule import listener_trials
from panel.errors import BadInput, Conflict, Gone, NotAllowed, NotFound
from panel.settings import load
from panel.stages.listen import check_results, visit, votes_in
from panel.stages.listeners import joining
from panel.store.opening import open_store
from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Study, Trial, Vote
from panel.study.plan_reading import read_plan


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(load(data=tmp_path))


@pytest.fixture
def study(store: Store) -> SmallStudy:
    return build(store)


@pytest.fixture
def listener(store: Store, study: SmallStudy) -> str:
    visit.consent(store, study.links[0])
    return study.links[0]


@pytest.fixture
def other_listener(store: Store, study: SmallStudy) -> str:
    visit.consent(store, study.links[1])
    return study.links[1]


def new_id() -> str:
    return str(uuid.uuid4())


def votes(store: Store) -> list[Vote]:
    with store.session() as s:
        return list(s.exec(select(Vote).order_by(Vote.sequence)))


def row(store: Store, link: str) -> Listener:
    with store.session() as s:
        return s.exec(select(Listener).where(Listener.link_hash == code_hash(link))).one()


def close(store: Store, study: SmallStudy) -> None:
    with store.session() as s:
        found = s.get(Study, study.id)
        assert found is not None
        found.closed_at = store.now()
        s.add(found)
        s.commit()


def revoke(store: Store, link: str) -> None:
    with store.session() as s:
        found = s.exec(select(Listener).where(Listener.link_hash == code_hash(link))).one()
        found.revoked_at = store.now()
        s.add(found)
        s.commit()


def test_the_way_from_the_link_to_the_thanks(store: Store, study: SmallStudy) -> None:
    link = study.links[0]
    assert visit.enter(store, link).step == "welcome"
    assert visit.consent(store, link).step == "playback"
    assert visit.declare_playback(store, link, "earphones", 44_100).step == "level"
    assert visit.mark_done(store, link, "level").step == "check"
    state = check_results.record_check(store, link, "passed", {"right": 6})
    seen = []
    while (trial := visit.next_trial(store, link)) is not None:
        state = visit.enter(store, link)
        if state.step == "practice":
            assert state.practice == trial.procedure
            assert not trial.practised
            state = visit.mark_done(store, link, f"practice:{trial.procedure}")
        assert state.step == "trial"
        seen.append(trial.number)
        votes_in.vote(store, link, trial.number, new_id(), "one", 2, 9)
    assert seen == list(range(1, 14))  # 4 questions x 3 votes and one planted check
    kept = row(store, link)
    assert kept.finished_at is not None, "the last vote finishes, whatever the browser does next"
    assert (kept.playback, kept.sample_rate, kept.headphone_check) == (
        "earphones", 44_100, "passed",
    )  # fmt: skip
    assert visit.enter(store, link).step == "questions"
    assert visit.finish(store, link, "  A tram passed.  ").step == "thanks"
    assert row(store, link).remarks == "A tram passed."


def test_ordinals_are_given_at_consent_in_order_and_leave_no_hole(
    store: Store, study: SmallStudy
) -> None:
    visit.enter(store, study.links[2])  # opened, never consented
    for link in (study.links[1], study.links[0], study.links[1]):
        visit.consent(store, link)
    assert [row(store, link).ordinal for link in study.links] == [1, 0, None]


def test_trials_follow_the_plan_and_keys_hold_its_pairs(
    store: Store, study: SmallStudy, listener: str
) -> None:
    planned = listener_trials(read_plan(study.plan), 0)
    with store.session() as s:
        trials = list(s.exec(select(Trial).order_by(Trial.number)))
    assert len(trials) == len(planned) > 0
    for trial, plan in zip(trials, planned, strict=True):
        assert (trial.contrast_key, trial.procedure, trial.excerpt_key) == (
            plan.contrast, plan.procedure, plan.excerpt,
        )  # fmt: skip
        assert set(trial.slots) == {plan.take_a, plan.take_b}


def test_keys_come_from_the_given_generator(store: Store, study: SmallStudy) -> None:
    asked: list[int] = []

    def scripted(below: int) -> int:
        asked.append(below)
        return 0

    visit.consent(store, study.links[0], randbelow=scripted)
    with store.session() as s:
        trials = list(s.exec(select(Trial)))
    assert len(asked) >= len(trials)
    assert all(trial.slots[0] == min(trial.slots) for trial in trials if trial.right is None)
    assert {trial.right for trial in trials if trial.procedure in ("abx", "triangle")} == {0}


def test_a_view_of_a_trial_says_nothing_of_its_key(store: Store, listener: str) -> None:
    """Blinding contract (1): "the key never leaves the server"."""
    view = visit.next_trial(store, listener)
    assert view is not None
    text = repr(view)
    for word in ("t01", "t02", "t03", "t04", "check", "q1", "epoxy", "hide glue", "right"):
        assert word not in text


@pytest.mark.parametrize(
    "step",
    [
        lambda store, link: visit.declare_playback(store, link, "headphones"),
        lambda store, link: visit.mark_done(store, link, "level"),
        lambda store, link: check_results.record_check(store, link, "passed"),
        lambda store, link: visit.finish(store, link, "hello"),
    ],
    ids=["playback", "level", "check", "remarks"],
)
def test_nothing_is_recorded_before_consent(
    store: Store, study: SmallStudy, step: Callable[[Store, str], object]
) -> None:
    link = study.links[0]
    with pytest.raises(Conflict):
        step(store, link)
    assert row(store, link).steps_done == []


def test_a_vote_sent_again_has_the_same_receipt_and_counts_once(
    store: Store, listener: str
) -> None:
    own = new_id()
    first = votes_in.vote(store, listener, 1, own, "one", 4, 20, {"hidden": 1})
    again = votes_in.vote(store, listener, 1, own, "one", 4, 20, {"hidden": 1})
    assert not first.repeated
    assert again.repeated
    assert (first.sequence, first.trial, first.client_id) == (
        again.sequence, again.trial, again.client_id,
    )  # fmt: skip
    assert len(votes(store)) == 1


def test_a_vote_sent_again_is_acknowledged_after_the_study_has_closed(
    store: Store, study: SmallStudy, listener: str
) -> None:
    own = new_id()
    votes_in.vote(store, listener, 1, own, "two")
    close(store, study)
    assert votes_in.vote(store, listener, 1, own, "two").repeated


@pytest.mark.parametrize("answer", ["one", "two"])
def test_a_trial_takes_no_second_vote(store: Store, listener: str, answer: str) -> None:
    votes_in.vote(store, listener, 1, new_id(), "one")
    with pytest.raises(Conflict):
        votes_in.vote(store, listener, 1, new_id(), answer)
    assert [vote.answer for vote in votes(store)] == [0]


def test_one_id_cannot_serve_two_votes(store: Store, listener: str, other_listener: str) -> None:
    own = new_id()
    votes_in.vote(store, listener, 1, own, "one")
    with pytest.raises(Conflict):
        votes_in.vote(store, listener, 1, own, "two")
    with pytest.raises(Conflict):
        votes_in.vote(store, listener, 2, own, "one")
    with pytest.raises(Conflict):
        votes_in.vote(store, other_listener, 1, own, "one")
    assert len(votes(store)) == 1


@pytest.mark.parametrize(
    ("change", "refusal"),
    [
        ({"client_id": "1"}, BadInput),
        ({"client_id": ""}, BadInput),
        ({"answer": "four"}, BadInput),
        ({"answer": 3}, BadInput),
        ({"answer": -1}, BadInput),
        ({"answer": True}, BadInput),
        ({"plays": -1}, BadInput),
        ({"plays": 10**9}, BadInput),
        ({"seconds": -5}, BadInput),
        ({"notes": {"x": "free text"}}, BadInput),
        ({"notes": {"x": [float("nan")]}}, BadInput),
        ({"notes": {"x": [1] * 2000}}, BadInput),
        ({"notes": {"<b>": 1}}, BadInput),
        ({"trial_number": 0}, NotFound),
        ({"trial_number": 14}, NotFound),
        ({"trial_number": 2}, Conflict),
        ({"code": "nobody"}, NotFound),
    ],
    ids=lambda value: str(value)[:40],
)
def test_a_forged_vote_is_refused_in_a_sentence_and_leaves_nothing(
    store: Store, listener: str, change: dict[str, object], refusal: type[Exception]
) -> None:
    vote = {
        "code": listener, "trial_number": 1, "client_id": new_id(), "answer": "one",
        "plays": 3, "seconds": 10, "notes": {}, **change,
    }  # fmt: skip
    with pytest.raises(refusal, match=r"\w.*\."):
        votes_in.vote(store, **vote)  # type: ignore[arg-type]
    assert votes(store) == []


def test_an_answer_must_be_one_of_the_procedure(store: Store, listener: str) -> None:
    while (trial := visit.next_trial(store, listener)) is not None:
        if "three" not in trial.answers:
            with pytest.raises(BadInput):
                votes_in.vote(store, listener, trial.number, new_id(), "three")
        votes_in.vote(store, listener, trial.number, new_id(), trial.answers[-1])
    assert {vote.answer for vote in votes(store)} == {1, 2}


def test_votes_count_for_their_own_listener_only(
    store: Store, study: SmallStudy, listener: str, other_listener: str
) -> None:
    votes_in.vote(store, listener, 1, new_id(), "one")
    with pytest.raises(NotFound):
        votes_in.vote(store, study.links[2], 1, new_id(), "one")  # has not consented: no trials
    votes_in.vote(store, other_listener, 1, new_id(), "one")
    assert len({vote.listener_id for vote in votes(store)}) == 2
    assert [vote.sequence for vote in votes(store)] == [1, 2]


def test_after_closing_and_revoking_the_door_is_shut(
    store: Store, study: SmallStudy, listener: str, other_listener: str
) -> None:
    revoke(store, listener)
    close(store, study)
    for link in (listener, other_listener):
        with pytest.raises(Gone):
            visit.enter(store, link)
        with pytest.raises(Gone):
            votes_in.vote(store, link, 1, new_id(), "one")
    with pytest.raises(Gone):
        visit.consent(store, study.links[2])
    with pytest.raises(Gone):
        joining.join(store, study.open_link)
    assert votes(store) == []


def test_before_the_lock_nobody_listens(store: Store) -> None:
    early = build(store, locked=False)
    assert visit.enter(store, early.links[0]).step == "not_open"
    with pytest.raises(Conflict):
        visit.consent(store, early.links[0])
    with pytest.raises(Conflict):
        votes_in.vote(store, early.links[0], 1, new_id(), "one")
    with pytest.raises(Conflict):
        joining.join(store, early.open_link)


@pytest.mark.parametrize("code", ["", "nobody", "x" * 5000, "' or 1=1 --"])
def test_an_unknown_link_leads_nowhere(store: Store, study: SmallStudy, code: str) -> None:
    for ask in (visit.enter, visit.consent, joining.join, visit.next_trial):
        with pytest.raises(NotFound):
            ask(store, code)


def test_each_who_joins_is_a_listener_of_their_own(store: Store, study: SmallStudy) -> None:
    first, second = joining.join(store, study.open_link), joining.join(store, study.open_link)
    assert first != second
    assert joining.belongs(store, study.open_link, first)
    assert not joining.belongs(store, study.open_link, "nobody")
    assert row(store, first).address is None
    assert visit.consent(store, first).step == "playback"


@pytest.mark.parametrize(("headphones", "step"), [("record", "practice"), ("exclude", "excluded")])
def test_a_failed_check_excludes_only_where_the_plan_says_so(
    store: Store, headphones: str, step: str
) -> None:
    link = build(store, headphones=headphones).links[0]
    visit.consent(store, link)
    visit.declare_playback(store, link, "loudspeakers")
    visit.mark_done(store, link, "level")
    assert check_results.conclude_check(store, link, passed=False, right=2, of=6) == "again"
    assert visit.enter(store, link).step == "check"
    assert check_results.conclude_check(store, link, passed=False, right=3, of=6) == "failed"
    assert visit.enter(store, link).step == step
    assert [one["right"] for one in row(store, link).headphone_detail["attempts"]] == [2, 3]
    if headphones == "exclude":
        with pytest.raises(NotAllowed):
            votes_in.vote(store, link, 1, new_id(), "one")
    else:
        votes_in.vote(store, link, 1, new_id(), "one")


def test_a_check_may_be_left_out_only_where_it_is_merely_recorded(store: Store) -> None:
    recorded = build(store).links[0]
    visit.consent(store, recorded)
    check_results.skip_check(store, recorded)
    assert row(store, recorded).headphone_check == "not taken"
    needed = build(store, headphones="exclude").links[0]
    visit.consent(store, needed)
    with pytest.raises(Conflict):
        check_results.skip_check(store, needed)


def test_leaving_out_the_check_does_not_undo_a_failure(store: Store, listener: str) -> None:
    check_results.conclude_check(store, listener, passed=False, right=1, of=6)
    check_results.skip_check(store, listener)
    assert row(store, listener).headphone_check == "failed"


def test_minutes_left_follow_the_listeners_own_pace(store: Store) -> None:
    link = build(store, procedures=("abx",), votes=19).links[0]
    visit.consent(store, link)
    start = visit.next_trial(store, link)
    assert start is not None
    assert start.minutes_left == 10  # 20 trials of 30 s, the plan's own guess
    for number in range(1, 5):
        votes_in.vote(store, link, number, new_id(), "one", 1, 60)
    slow = visit.next_trial(store, link)
    assert slow is not None
    assert slow.minutes_left == 16  # 16 trials of 60 s


def test_the_booth_may_look_one_trial_ahead_and_no_further(store: Store, listener: str) -> None:
    due, coming = (visit.next_trial(store, listener, number=n) for n in (1, 2))
    assert due is not None
    assert coming is not None
    assert coming.number == 2
    assert visit.next_trial(store, listener, number=3) is None
    votes_in.vote(store, listener, 1, new_id(), "one")
    assert visit.next_trial(store, listener, number=1) is None


def test_the_first_opening_is_recorded_once(store: Store, study: SmallStudy) -> None:
    link = study.links[0]
    visit.enter(store, link)
    first = row(store, link).opened_at
    assert first is not None
    with store.session() as s:
        kept = s.exec(select(Listener).where(Listener.link_hash == code_hash(link))).one()
        kept.opened_at = first - timedelta(days=1)
        s.add(kept)
        s.commit()
    visit.enter(store, link)
    assert row(store, link).opened_at == first - timedelta(days=1)
