"""Simulated listeners decide as Thurstone's model says."""

from collections.abc import Mapping

import numpy as np
import pytest

from panel.demo.listeners import (
    BASS,
    OWN,
    TREBLE,
    SimulatedListener,
    answer,
    panel_of,
)  # fmt: skip
from panel.design.schedule import draw_key
from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES

# Share right at d′: computed by numerical integration and by simulation independently of our code;
# agrees with the tables of Ennis 1993, J. Sensory Studies 8 (triangle, 2-AFC), of Ennis et al.
# 1998, BJMSP 51 (tetrad) and, for ABX by differencing, Macmillan & Creelman, Detection Theory
# (their tables from memory).
PUBLISHED: dict[str, dict[float, float]] = {
    "attribute": {0.0: 0.5, 0.5: 0.6382, 1.0: 0.7602, 1.5: 0.8556, 2.0: 0.9214, 3.0: 0.9831},
    "triangle": {0.0: 1 / 3, 0.5: 0.3558, 1.0: 0.4180, 1.5: 0.5065, 2.0: 0.6048, 3.0: 0.7814},
    "tetrad": {0.0: 1 / 3, 0.5: 0.3777, 1.0: 0.4938, 1.5: 0.6409, 2.0: 0.7777, 3.0: 0.9430},
    "abx": {0.0: 0.5, 0.5: 0.5223, 1.0: 0.5825, 1.5: 0.6635, 2.0: 0.7468, 3.0: 0.8765},
}
TRIALS = 4_000
KEEN = SimulatedListener(hears={TREBLE: 1.0, OWN: 1.0}, likes={TREBLE: 1.0})
CASES = [(code, d, share) for code, row in PUBLISHED.items() for d, share in row.items()]


def share_right(
    listener: SimulatedListener, procedure: str, more: Mapping[str, float], seed: int
) -> float:
    """Share of answers that are right, or, directed, that point to the take with more."""
    rng = np.random.default_rng(seed)
    places = {"a": {}, "b": more}
    right = 0
    for _ in range(TRIALS):
        key = draw_key(procedure, ("a", "b"), lambda n: int(rng.integers(n)))
        given = answer(rng, listener, procedure, [places[slot] for slot in key.slots], TREBLE)
        wanted = key.slots.index("b") if key.right is None else key.right
        right += given == wanted
    return right / TRIALS


def error(share: float) -> float:
    """Four standard errors: one false alarm in some 16,000 cases."""
    return 4 * np.sqrt(max(share * (1 - share), 0.25 / TRIALS) / TRIALS)


@pytest.mark.parametrize(("procedure", "d", "share"), CASES)
def test_share_right_is_the_published_one(procedure: str, d: float, share: float) -> None:
    found = share_right(KEEN, procedure, {TREBLE: d}, seed=round(10 * d))
    assert found == pytest.approx(share, abs=error(share))


def test_preference_follows_what_is_liked() -> None:
    # Φ(d/√2) again, d being sensitivity × liking × distance.
    fond = SimulatedListener(hears={TREBLE: 0.5}, likes={TREBLE: 2.0, BASS: 1.0})
    averse = SimulatedListener(hears={TREBLE: 1.0}, likes={TREBLE: -1.0})
    more = {TREBLE: 1.0, BASS: 1.0}
    assert share_right(fond, "preference", more, 1) == pytest.approx(0.7602, abs=error(0.7602))
    assert share_right(averse, "preference", more, 2) == pytest.approx(0.2398, abs=error(0.2398))


@pytest.mark.parametrize("procedure", ["abx", "triangle", "attribute", "preference"])
@pytest.mark.parametrize(
    "listener",
    [
        SimulatedListener(hears={BASS: 1.0}, lean=1.5),
        SimulatedListener(hears={TREBLE: 3.0}, likes={TREBLE: 1.0}, lapse=1.0),
    ],
    ids=["deaf to it and leaning", "always guessing"],
)
def test_who_hears_nothing_is_right_by_chance(procedure: str, listener: SimulatedListener) -> None:
    # Keys are independent and uniform, so neither lean nor lapse moves chance (binomial exactly).
    chance = 1 / 3 if procedure == "triangle" else 1 / 2
    found = share_right(listener, procedure, {TREBLE: 2.0}, seed=7)
    assert found == pytest.approx(chance, abs=error(chance))


@pytest.mark.parametrize(
    ("procedure", "heard", "given"),
    [
        ("attribute", (2.0, 1.0), 0),
        ("attribute", (-3.0, 1.0), 1),
        ("abx", (0.0, 2.0, 0.4), 0),
        ("abx", (0.0, 2.0, 1.6), 1),
        ("triangle", (5.0, 0.1, 0.0), 0),
        ("triangle", (0.1, 5.0, 0.0), 1),
        ("triangle", (0.1, 0.0, 5.0), 2),
    ],
)
def test_decision_rules(procedure: str, heard: tuple[float, ...], given: int) -> None:
    assert PROCEDURES[procedure].decide(heard) == given


def test_lean_favours_the_first_sample() -> None:
    assert PROCEDURES["preference"].decide((0.0, 0.5)) == 1
    assert PROCEDURES["preference"].decide((0.0, 0.5), lean=1.0) == 0


def test_unknown_procedure_is_refused() -> None:
    with pytest.raises(BadInput, match="hexad"):
        answer(np.random.default_rng(1), KEEN, "hexad", [{}, {}], TREBLE)


def test_panel_has_the_planted_shares() -> None:
    people = panel_of(np.random.default_rng(3), 40)
    assert sum(person.hears[TREBLE] > 0 for person in people) == 34
    assert sum(person.hears[BASS] > 0 for person in people) == 16
    assert sum(person.lapse > 0.5 for person in people) == 2
    assert sum(person.headphone_check == "failed" for person in people) == 4
