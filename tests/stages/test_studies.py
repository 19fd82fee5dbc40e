"""Studies: whose they are, and the next thing to do at each point of the path."""

import pytest
import recordings
from recordings import Made
from sqlmodel import select

from panel.errors import BadInput, Conflict, NotFound
from panel.stages import accounts, studies
from panel.stages.clips import prepare
from panel.stages.contrasts import asked
from panel.stages.plan import lock
from panel.stages.takes import intake
from panel.store.tables import Study


def seen(made: Made) -> studies.StudyView:
    return studies.overview(made.store, made.organiser, made.code)


def test_study_is_its_organisers_only(empty: Made):
    other = accounts.add_organiser(empty.store, "other@larkfield.example")
    assert [view.code for view in studies.mine(empty.store, empty.organiser)] == [empty.code]
    assert studies.mine(empty.store, other) == []
    with pytest.raises(NotFound):
        studies.overview(empty.store, other, empty.code)


@pytest.mark.parametrize(
    ("title", "question"), [("", "Q"), ("T", "  "), ("x" * 201, "Q"), ("T", "x" * 1001)]
)
def test_study_needs_title_and_question_in_measure(empty: Made, title: str, question: str):
    with pytest.raises(BadInput):
        studies.create(empty.store, empty.organiser, title, question)
    with pytest.raises(BadInput):
        studies.rename(empty.store, empty.id, title, question)
    assert seen(empty).title == "Pickups"


def test_newest_study_stands_first(empty: Made):
    studies.create(empty.store, empty.organiser, "Second", "And this?")
    titles = [view.title for view in studies.mine(empty.store, empty.organiser)]
    assert titles == ["Second", "Pickups"]


def test_path_names_the_next_thing_to_do_all_the_way(empty: Made):
    made, store, study = empty, empty.store, empty.id
    steps = []

    def note() -> None:
        view = seen(made)
        steps.append(view.next_href.rsplit("/", 1)[1])
        current = [step.key for step in view.steps if step.state == "next"]
        assert len(current) == 1  # one thing at a time

    note()
    for number in (1, 2):
        intake.add_take(store, study, f"{number}.wav", [recordings.take(number)])
        note()
    factor = intake.add_factor(store, study, "adhesive", "named")
    note()
    for key, value in (("t01", "hide glue"), ("t02", "epoxy")):
        intake.log_take(store, study, key, {factor: value})
    intake.add_excerpt(store, study, 0.5, 2.5)
    note()
    prepare.prepare(store, study)
    note()
    asked.add_question(
        store,
        study,
        name="Adhesive",
        procedure="abx",
        factor=factor,
        conditions=asked.by_value(store, study, factor),
        votes_per_listener=8,
    )
    note()
    asked.add_planted_check(
        store, study, take_key="t01", kind="level", amount_db=3, procedure="abx",
        votes_per_listener=2,
    )  # fmt: skip
    note()
    prepare.prepare(store, study)
    note()
    lock.lock(store, study)
    note()
    assert steps == [
        "takes", "takes", "takes", "takes", "clips", "contrasts", "plan", "clips", "plan",
        "listeners",
    ]  # fmt: skip


def test_state_follows_the_lock_and_the_close(ready: Made):
    assert seen(ready).state == "draft"
    sha256 = lock.lock(ready.store, ready.id)
    assert (seen(ready).state, seen(ready).plan_sha256) == ("open", sha256)
    with pytest.raises(Conflict):
        studies.rename(ready.store, ready.id, "Another", "Question?")
    with ready.store.session() as s:
        study = s.exec(select(Study)).one()
        study.closed_at = ready.store.now()
        s.add(study)
        s.commit()
    assert (seen(ready).state, seen(ready).next_href.rsplit("/", 1)[1]) == ("closed", "verdict")
