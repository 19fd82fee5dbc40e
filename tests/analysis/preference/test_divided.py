"""Divided: listeners disagree beyond one coin, and beyond what the takes explain."""

import numpy as np
import pytest
from scipy.stats import chi2, chi2_contingency

from panel.analysis.preference import divided


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(31)


def votes(rng, listeners, each, lean, take_taste=0.0, takes=4):
    """Winner, loser, listener. `lean` (listeners,): logit for side 1, or (listeners, conditions):
    for each; `take_taste`: SD of each listener's own liking of each take, in logits."""
    liked = np.asarray(lean) if np.ndim(lean) == 2 else np.stack([np.zeros(listeners), lean], 1)
    labels = np.repeat(np.arange(liked.shape[1]), takes)
    pairs = [(a, b) for a in range(labels.size) for b in range(a)]
    rows = []
    for who in range(listeners):
        taste = rng.normal(0, take_taste, labels.size) + liked[who][labels]
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


def test_camps_over_three_conditions_are_found(rng):
    """A third of the panel wants each: no condition wins, and listeners differ."""
    lean = 2.0 * np.eye(3)[np.arange(18) % 3]
    (w, z, who), labels = votes(rng, 18, 36, lean, takes=3)
    found = divided.examine(w, z, who, labels, rng)
    assert found.p_listeners < 0.001
    assert found.labels.p <= 0.01


def test_tastes_about_takes_alone_do_not_divide_three_conditions(rng):
    both, first, runs = 0, 0, 60
    for _ in range(runs):
        (w, z, who), labels = votes(rng, 12, 36, np.zeros((12, 3)), 2.0, takes=3)
        found = divided.examine(w, z, who, labels, rng)
        first += found.p_listeners <= 0.05
        both += found.p <= 0.05
    assert first / runs > 0.2
    assert both / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


@pytest.mark.parametrize("seed", range(4))
def test_the_spread_of_listeners_is_pearsons_chi_square_summed_over_conditions(seed):
    # Oracle: scipy.stats.chi2_contingency on listener × chosen for each two conditions, the sum on
    # its chi-square law, which is near where everybody has many votes.
    rng = np.random.default_rng(seed)
    (w, z, who), labels = votes(rng, 8, 360, rng.normal(0, 0.25, (8, 3)), takes=3)
    total, freedom = 0.0, 0
    for low, high in ((0, 1), (0, 2), (1, 2)):
        here = (np.minimum(labels[w], labels[z]) == low) & (
            np.maximum(labels[w], labels[z]) == high
        )
        chose = np.zeros((8, 2))
        np.add.at(chose, (who[here], (labels[w] > labels[z])[here].astype(int)), 1)
        table = chi2_contingency(chose, correction=False)
        total, freedom = total + table.statistic, freedom + table.dof
    law = chi2.sf(total, freedom)
    found = divided.examine(w, z, who, labels, rng).p_listeners
    assert found == pytest.approx(
        law, abs=0.02 + 4 * np.sqrt(law * (1 - law) / divided.SPREAD_DRAWS)
    )


def test_votes_that_are_all_one_way_divide_nobody(rng):
    (w, z, who), labels = votes(rng, 6, 28, np.zeros(6))
    higher, lower = np.maximum(w, z), np.minimum(w, z)  # side 1 is always chosen
    found = divided.examine(higher, lower, who, labels, rng)
    assert found.p_listeners == 1.0
    assert found.spread == 0.0
