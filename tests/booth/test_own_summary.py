"""After the end a listener may read their own count, if the plan says so, and nobody else's."""

import re
import uuid

import pytest
from fastapi.testclient import TestClient
from scipy.stats import binom, binomtest
from small_study import build
from sqlmodel import select

from panel.app import create_app
from panel.settings import Settings
from panel.stages.conclude import ending, own_summary
from panel.stages.listen import visit, votes_in
from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Trial


def answered_right(store: Store, link: str, *, right: bool) -> None:
    """Every trial with a right answer is answered right, or wrong; others by "one"."""
    visit.consent(store, link)
    with store.session() as s:
        own = s.exec(select(Listener).where(Listener.link_hash == code_hash(link))).one()
        trials = s.exec(
            select(Trial).where(Trial.listener_id == own.id).order_by(Trial.number)
        ).all()
    for trial in trials:
        answer = 0 if trial.right is None else trial.right if right else (trial.right + 1) % 2
        votes_in.vote(store, link, trial.number, str(uuid.uuid4()), answer, plays=3)


@pytest.mark.parametrize("right", [True, False])
def test_the_count_is_the_listeners_own_with_its_exact_chance(store: Store, right: bool) -> None:
    study = build(store, procedures=("abx", "preference"), votes=6, own_summary=True)
    answered_right(store, study.links[0], right=right)
    answered_right(store, study.links[1], right=not right)
    assert own_summary.of(store, study.links[0]) is None, "nothing before the end"
    ending.close(store, study.id)
    told = own_summary.of(store, study.links[0])
    assert told is not None
    counted = [part for part in told.parts if isinstance(part, own_summary.Counted)]
    assert {part.planted for part in counted} == {True, False}
    for part in counted:
        assert part.right == (part.trials if right else 0)
        # Oracle: scipy's binomial.
        assert part.guessing == pytest.approx(
            100 * binom.sf(part.right - 1, part.trials, 0.5), abs=1e-9
        )
    (leaning,) = (part for part in told.parts if isinstance(part, own_summary.Leaning))
    assert sum(count for _, count in leaning.sides) == leaning.trials
    assert leaning.guessing == pytest.approx(
        100 * binomtest(leaning.sides[0][1], leaning.trials).pvalue
    )


def test_the_page_shows_it_only_if_the_plan_allows(store: Store, settings: Settings) -> None:
    allowed = build(store, procedures=("abx",), votes=4, own_summary=True)
    silent = build(store, procedures=("abx",), votes=4)
    for study in (allowed, silent):
        answered_right(store, study.links[0], right=True)
        answered_right(store, study.links[1], right=False)
        ending.close(store, study.id)
    with TestClient(create_app(settings)) as client:
        page = client.get(f"/listen/{allowed.links[0]}").text
        assert re.search(r"You were right (\d) of \1 times", page)
        assert "Of 100 people who only guess" in page
        page = client.get(f"/listen/{silent.links[0]}").text
        assert "Voting has ended" in page
        assert "You were right" not in page
        # Whoever never agreed learns only that it is over.
        never = client.get(f"/listen/{allowed.links[2]}")
        assert never.status_code == 410


def test_what_comes_before_the_counts_of_sides_is_apart_from_them(
    store: Store, settings: Settings
) -> None:
    study = build(store, procedures=("attribute", "preference"), votes=4, own_summary=True)
    answered_right(store, study.links[0], right=True)
    ending.close(store, study.id)
    with TestClient(create_app(settings)) as client:
        page = client.get(f"/listen/{study.links[0]}").text
    said = re.sub(r"\s", " ", page)
    assert re.search(r"What you would rather listen to: +“", said)
    assert re.search(r"Which had more [^:]+: +“", said)
    assert re.search(r"“ ?[^”]+” \d of \d times, +“[^”]+” \d of \d times\.", said)
