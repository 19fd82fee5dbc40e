"""Divided: listeners disagree beyond one coin, and beyond what the takes explain."""

import numpy as np
import pytest

from panel.analysis import divided


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(31)


def votes(rng, listeners, each, lean, take_taste=0.0, sides=4):
    """Winner, loser, listener. `lean` (listeners,): logit for side 1; `take_taste`: SD of each
    listener's own liking of each take, in logits."""
    labels = np.repeat([0, 1], sides)
    pairs = [(a, b) for a in range(2 * sides) for b in range(a)]
    rows = []
    for who in range(listeners):
        taste = rng.normal(0, take_taste, 2 * sides) + lean[who] * labels
        for k in range(each):
            a, b = pairs[(who * each + k) % len(pairs)]
            first = rng.random() < 1 / (1 + np.exp(taste[b] - taste[a]))
            rows.append((a, b, who) if first else (b, a, who))
    return [np.array(c, np.int64) for c in zip(*rows, strict=True)], labels


def test_two_camps_are_found(rng):
    lean = np.where(np.arange(24) % 2 == 0, 2.0, -2.0)
    (w, z, who), labels = votes(rng, 24, 28, lean)
    found = divided.examine(w, z, who, labels, rng)
    assert found is not None
    assert found.p_listeners < 0.001
    assert found.labels.p == pytest.approx(1 / 35)
    assert found.spread == pytest.approx(0.38, abs=0.06)  # |1/(1+e^−2) − 1/2|


def test_a_common_lean_is_no_division(rng):
    """All lean alike, firmly: listeners differ by counting noise only."""
    ps = [
        divided.examine(w, z, who, labels, rng).p_listeners
        for _ in range(60)
        for (w, z, who), labels in [votes(rng, 12, 20, np.full(12, 1.5))]
    ]
    assert np.mean(np.array(ps) <= 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 60)


def test_tastes_about_takes_alone_do_not_divide(rng):
    """Listeners disagree strongly about takes, the change does nothing: both tests together hold
    5 %, though the first alone would not."""
    both, first = 0, 0
    runs = 100
    for _ in range(runs):
        (w, z, who), labels = votes(rng, 16, 28, np.zeros(16), take_taste=2.0)
        found = divided.examine(w, z, who, labels, rng)
        first += found.p_listeners <= 0.05
        both += found.p <= 0.05
    assert first / runs > 0.2
    assert both / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


def test_too_few_votes_divide_nobody(rng):
    one = np.array([4], np.int64), np.array([0], np.int64), np.array([0], np.int64)
    assert divided.examine(*one, np.repeat([0, 1], 4), rng) is None


def test_spread_is_zero_where_listeners_agree_too_well(rng):
    (w, z, who), labels = votes(rng, 10, 28, np.zeros(10))
    assert divided.examine(w, z, who, labels, rng).spread < 0.2
