"""How far listeners differ in what they like, against a known truth and another fit."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

from panel.analysis.mixed import model
from panel.analysis.preference import listener_worths
from panel.analysis.preference.listener_worths import own_favourite
from panel.errors import BadInput


def votes(rng, listeners, each, sd, *, conditions=3, takes=3, tie=None, order=0.2):
    """Votes by the model itself: `sd` of listeners' own likings of each condition, in logits."""
    labels = np.repeat(np.arange(conditions), takes)
    worth = rng.normal(0, 0.2, labels.size) + 0.3 * labels
    rows = []
    for who in range(listeners):
        own = worth + rng.normal(0, sd, conditions)[labels]
        for _ in range(each):
            a, b = rng.choice(labels.size, 2, replace=False)
            odds = [np.exp(own[a] + order), np.exp(own[b])]
            if tie is not None:
                odds.append(np.exp(tie + (own[a] + own[b]) / 2))
            rows.append((a, b, rng.choice(len(odds), p=np.array(odds) / np.sum(odds)), who))
    return (*(np.array(column) for column in zip(*rows, strict=True)), labels)


@pytest.mark.parametrize("sd", [0.0, 0.3, 1.0, 2.0])
@pytest.mark.parametrize("tie", [None, -0.5])
def test_a_known_spread_of_likings_is_found(sd, tie):
    # Simulation with a known truth: 10 panels of 24 listeners × 20. The median, as no spread is
    # found below zero.
    found = [
        listener_worths.fit(*votes(np.random.default_rng([k, 7]), 24, 20, sd, tie=tie))
        for k in range(10)
    ]
    assert np.median([f.sd for f in found]) == pytest.approx(sd, abs=0.2)
    covered = sum(f.interval[0] <= sd <= f.interval[1] for f in found)
    assert covered >= 7  # at 95 % cover, fewer has a chance of 0.001 (binomial)


@pytest.mark.parametrize("sd", [0.5, 1.2])
def test_of_two_conditions_it_is_the_mixed_logit_of_listeners(sd):
    # Oracle: panel.analysis.mixed, held to lme4's values elsewhere: the difference of two likings
    # is one random intercept of SD √2 σ. It maximises without restriction: 60 listeners hardly
    # tell.
    first, second, outcome, who, labels = votes(
        np.random.default_rng(3), 60, 16, sd, conditions=2, takes=1, order=0.3
    )
    chose_later = np.where(outcome == 0, first, second) == 1
    design = np.column_stack([np.ones(first.size), np.where(first == 1, 1.0, -1.0)])
    other = model.fit(chose_later.astype(float), design, {"listener": who}, "logit")
    found = listener_worths.fit(first, second, outcome, who, labels)
    assert found.sd * np.sqrt(2) == pytest.approx(other.sd["listener"], rel=0.03)


@pytest.mark.parametrize("sd", [0.0, 0.2, 1.0, 3.0])
def test_the_own_favourite_is_the_mean_over_differences(sd):
    # Oracle: SciPy's adaptive quadrature.
    mean = quad(lambda z: 2 * norm.pdf(z) * expit(np.sqrt(2) * sd * z), 0, 12)[0]
    assert own_favourite(sd) == pytest.approx(mean, abs=1e-9)
    assert own_favourite(sd) >= 0.5


def test_listeners_who_want_nothing_but_their_own_set_no_upper_limit_by_force():
    """Camps without a single vote astray: a large spread, and an interval that says so."""
    labels = np.repeat(np.arange(3), 2)
    rows = []
    for who in range(12):
        for a in range(6):
            for b in range(6):
                if labels[a] == labels[b] or a == b:
                    continue
                wants = who % 3
                outcome = (
                    0 if labels[a] == wants else 1 if labels[b] == wants else (a + b + who) % 2
                )
                rows.append((a, b, outcome, who))
    first, second, outcome, who = (np.array(c) for c in zip(*rows, strict=True))
    found = listener_worths.fit(first, second, outcome, who, labels)
    assert found.sd > 1.5
    assert found.interval[0] > 1.0
    assert found.own_favourite > 0.8


def test_few_listeners_and_endless_worths_are_refused():
    rng = np.random.default_rng(4)
    with pytest.raises(BadInput, match="too few"):
        listener_worths.fit(*votes(rng, 9, 20, 1.0))
    first, second, outcome, who, labels = votes(rng, 12, 6, 1.0)
    always = np.where(labels[first] == labels[second], outcome, labels[second] > labels[first])
    with pytest.raises(BadInput, match="ever"):
        listener_worths.fit(first, second, always.astype(int), who, labels)
