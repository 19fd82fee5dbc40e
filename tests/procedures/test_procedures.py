"""What every procedure owns, held to what it says of itself: its keys, its arrays, its curve."""

import random

import numpy as np
import pytest

from panel.procedures.base import ANSWERS, EMPTY, SLOTS, UNKNOWN, Procedure
from panel.procedures.catalogue import PROCEDURES

TRIALS = 4_000
SIDES = (("a", "c"), ("b", "d"))
TAKES = ("a", "b", "c", "d")
SIDE = np.array([0, 1, 0, 1])

every = pytest.mark.parametrize("kind", PROCEDURES.values(), ids=PROCEDURES)
marked = pytest.mark.parametrize(
    "kind",
    [kind for kind in PROCEDURES.values() if not kind.directed],
    ids=[code for code, kind in PROCEDURES.items() if not kind.directed],
)


def dealt(kind: Procedure, seed: int, trials: int = TRIALS):
    """(slots, right): trials on takes a and b, as the server deals them."""
    source = random.Random(seed)
    keyed = [
        kind.key(("a", "b"), kind.beside(("a", "b"), SIDES, source.randrange), source.randrange)
        for _ in range(trials)
    ]
    slots = np.full((trials, SLOTS), EMPTY)
    for i, one in enumerate(keyed):
        slots[i, : len(one.slots)] = [TAKES.index(take) for take in one.slots]
    return slots, [one.right for one in keyed]


@every
def test_what_is_dealt_fits_its_own_rules(kind):
    slots, _ = dealt(kind, 1)
    for answer in kind.answers:
        said = np.full(TRIALS, ANSWERS.index(answer))
        assert not any(wrong.any() for wrong, _ in kind.misfits(slots, said))
    assert (kind.pair(slots) == [0, 1]).all()


@every
def test_an_answer_that_the_procedure_does_not_have_is_told_by_its_word(kind):
    slots, _ = dealt(kind, 2, 1)
    for answer in (UNKNOWN, *range(len(ANSWERS))):
        told = [end for wrong, end in kind.misfits(slots, np.array([answer])) if wrong.any()]
        known = answer != UNKNOWN and ANSWERS[answer] in kind.possible
        assert told == [] if known else "{answer}" in told[0]


@every
def test_one_take_throughout_fits_no_procedure(kind):
    slots = np.array([[0] * kind.samples + [EMPTY] * (SLOTS - kind.samples)])
    said = np.array([ANSWERS.index(kind.answers[0])])
    assert any(wrong.any() for wrong, _ in kind.misfits(slots, said))


@marked
def test_right_is_what_the_key_says(kind):
    slots, keys = dealt(kind, 3)
    for answer in range(len(ANSWERS)):
        if ANSWERS[answer] not in kind.answers:
            continue
        right = kind.right(slots, np.full(TRIALS, answer), SIDE, known=False)
        assert right.tolist() == [key == answer for key in keys]


@marked
def test_guessing_is_right_by_chance(kind):
    # Keys are independent and uniform: binomial whatever the answer. Bound: five standard errors.
    slots, _ = dealt(kind, 4)
    for answer in kind.answers:
        said = np.full(TRIALS, ANSWERS.index(answer))
        share = kind.right(slots, said, SIDE, known=False).mean()
        assert share == pytest.approx(kind.chance, abs=5 * np.sqrt(0.25 / TRIALS))


@pytest.mark.parametrize("dprime", [0.0, 1.0, 2.5])
@every
def test_who_decides_by_the_rule_is_right_as_often_as_the_curve_says(kind, dprime):
    # Oracle: Thurstone's model played out, percept by percept; the curve has its own (published)
    # tables elsewhere. Bound: five standard errors.
    slots, keys = dealt(kind, 5)
    rng = np.random.default_rng(6)
    place = dprime * SIDE.astype(float)
    right = 0
    for row, key in zip(slots[:, : kind.samples], keys, strict=True):
        given = kind.decide((place[row] + rng.standard_normal(row.size)).tolist())
        wanted = row.tolist().index(1) if key is None else key
        right += given == wanted
    expected = expected_share(kind, dprime)
    assert right / TRIALS == pytest.approx(expected, abs=5 * np.sqrt(0.25 / TRIALS))
    drawn = kind.simulate(rng, np.full(TRIALS, dprime), criterion=1.5, undecided=None)
    if kind.round_robin:  # there the reminders' own noise is no part of the simulation
        assert drawn.y.mean() == pytest.approx(expected, abs=5 * np.sqrt(0.25 / TRIALS))


def expected_share(kind: Procedure, dprime: float) -> float:
    """Share right by closed forms (Macmillan & Creelman, from memory) where there is no curve."""
    if kind.curve is None:
        from panel.procedures.same_different import CRITERION, called_different

        hit, false_alarm = called_different(dprime, CRITERION)
        return float(hit + 1 - false_alarm) / 2
    if not kind.round_robin:  # two differences must point the same way: p² + (1 − p)²
        once = float(kind.curve.probability(dprime))
        return once**2 + (1 - once) ** 2
    return float(kind.curve.probability(dprime))


@every
def test_a_procedure_is_put_into_another_language_whole(kind):
    said = kind.as_asked(ties="ties" in kind.options).said_by(str.upper)
    texts = (said.instruction, said.question, *said.answer_texts, *said.names)
    assert all(text == text.upper() for text in texts)
    assert len(said.answers) == len(said.answer_texts)
    assert len(said.names) >= said.samples
