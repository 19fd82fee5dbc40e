"""What listeners carry from question to question: a simulation whose spreads are known."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr

from panel.analysis.listeners_across import of_questions
from panel.analysis.sizes import Size
from panel.analysis.wording.messages import of_listeners
from panel.procedures.catalogue import PROCEDURES
from panel.procedures.curves import CURVES
from panel.prose import ENGLISH
from panel.study.verdict import Across, Remark

LISTENERS, VOTES = 40, 24


def simulated(
    rng: np.random.Generator,
    common: float,
    new: float,
    procedure: str,
    means: tuple[float, ...],
    answered: int = LISTENERS,
) -> list[Across]:
    """Listeners whose d′ is mean + common + new in each question; `answered`: how many of them
    answered the second question too."""
    carried = rng.normal(0, common, LISTENERS)
    found: dict[str, Any] = {}
    sized = {}
    for number, mean in enumerate(means):
        people = LISTENERS if number == 0 else answered
        d = (abs(mean) + carried + rng.normal(0, new, LISTENERS))[:people] * np.sign(mean)
        who = np.repeat(np.arange(people), VOTES)
        chance = (
            ndtr(d / np.sqrt(2))  # 2-AFC
            if procedure == "attribute"
            else CURVES["abx"].probability(np.maximum(d, 0.0))
        )
        everything = np.ones(who.size, bool)
        coded = SimpleNamespace(
            across=everything, decided=everything, y=rng.random(who.size) < chance[who],
            listener=who, listeners=tuple(f"{i:03d}" for i in range(people)),
            first=np.zeros(who.size, int), second=np.ones(who.size, int), take_ids=("a", "b"),
            excerpt=np.arange(who.size) % 3,
        )  # fmt: skip
        found[f"q{number}"] = SimpleNamespace(
            contrast=SimpleNamespace(asked_by=PROCEDURES[procedure]), coded=coded
        )
        sized[f"q{number}"] = Size(
            mean, (mean, mean), 0.5, None, None, Remark("model"), {}, "typical listener"
        )
    return of_questions(found, sized, 0.05)


@pytest.mark.parametrize(("procedure", "means"), [("attribute", (1.0, -0.8)), ("abx", (2.0, 2.5))])
def test_both_spreads_are_recovered(procedure: str, means: tuple[float, float]) -> None:
    rng = np.random.default_rng(5)
    told = [simulated(rng, 0.6, 0.6, procedure, means)[0] for _ in range(12)]
    clear = [one for one in told if one.by_question_sd is not None]
    assert len(clear) >= 8
    assert np.mean([one.by_question_sd for one in clear]) == pytest.approx(0.6, abs=0.15)
    assert np.mean([one.listener_sd for one in told]) == pytest.approx(0.6, abs=0.2)
    assert all("need not hear the other" in of_listeners(ENGLISH, one.message) for one in clear)


@pytest.mark.parametrize(("procedure", "means"), [("attribute", (1.0, -0.8)), ("abx", (2.0, 2.5))])
def test_nothing_is_told_where_there_is_nothing(procedure: str, means: tuple[float, float]) -> None:
    """The likelihood ratio errs at α at most (Self & Liang 1987): 4 of 20 would be rare."""
    rng = np.random.default_rng(6)
    told = [simulated(rng, 0.6, 0.0, procedure, means)[0] for _ in range(20)]
    assert sum(one.by_question_sd is not None for one in told) < 4
    silent = [one for one in told if one.by_question_sd is None]
    assert all(
        "cannot be told from these votes" in of_listeners(ENGLISH, one.message) for one in silent
    )
    assert np.mean([one.listener_sd for one in silent]) == pytest.approx(0.6, abs=0.15)


def test_too_few_who_answered_both_tell_nothing() -> None:
    told = simulated(np.random.default_rng(7), 0.6, 0.5, "attribute", (1.0, 1.0), answered=6)
    assert told[0].listener_sd is None
    assert "it takes 10 who answered all of them" in of_listeners(ENGLISH, told[0].message)


def test_one_question_says_nothing_about_others() -> None:
    assert simulated(np.random.default_rng(8), 0.6, 0.5, "attribute", (1.0,)) == []
