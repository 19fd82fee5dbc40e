"""Bradley–Terry against the published baseball example and an independent library.

Agresti, Categorical Data Analysis, 2nd ed. 2002, pp. 437–438, Tables 10.10 and 10.11: American
League East 1987. Estimates published there; the game table is from memory, and its refit agrees.
Standard errors, deviances and the likelihood ratio: computed by an independent refit (VALUES).
"""

import choix
import numpy as np
import pytest

from panel.analysis.preference import worths
from panel.errors import BadInput

TEAMS = ("MIL", "DET", "TOR", "NY", "BOS", "CLE", "BAL")
# Home wins–losses; rows home, columns away.
TABLE = """
-   4-3 4-2 4-3 6-1 4-2 6-0
3-3 -   4-2 4-3 6-0 6-1 4-3
2-5 4-3 -   2-4 4-3 4-2 6-0
3-3 5-1 2-5 -   4-3 4-2 6-1
5-1 2-5 3-3 4-2 -   5-2 6-0
2-5 3-3 3-4 4-3 4-2 -   2-4
2-5 1-5 1-6 2-4 1-6 3-4 -
"""


def games() -> tuple[list[int], list[int], list[int], list[int]]:
    home, away, outcome, n = [], [], [], []
    for i, line in enumerate(TABLE.strip().splitlines()):
        for j, cell in enumerate(line.split()):
            if cell == "-":
                continue
            won, lost = map(int, cell.split("-"))
            home += [i, i]
            away += [j, j]
            outcome += [0, 1]
            n += [won, lost]
    return home, away, outcome, n


def test_the_table_is_the_published_one():
    home, away, outcome, n = map(np.array, games())
    wins = [
        int(n[((home == t) & (outcome == 0)) | ((away == t) & (outcome == 1))].sum())
        for t in range(7)
    ]
    assert wins == [50, 47, 44, 43, 40, 31, 18]
    assert n.sum() == 21 * 13


def test_log_worths_against_baltimore_are_as_published():
    home, away, outcome, n = games()
    fitted = worths.fit(home, away, outcome, 7, n)
    found = [fitted.difference(i, 6) for i in range(6)]
    assert [d for d, _ in found] == pytest.approx([1.58, 1.44, 1.29, 1.25, 1.11, 0.68], abs=0.005)
    assert [d for d, _ in found] == pytest.approx(
        [1.581, 1.436, 1.294, 1.248, 1.108, 0.684], abs=0.0006
    )
    assert found[0][1] == pytest.approx(0.343, abs=0.0006)
    assert all(0.30 < se < 0.345 for _, se in found)
    assert fitted.beats(0, 1) == pytest.approx(0.536, abs=0.0006)


def test_home_advantage_is_as_published():
    home, away, outcome, n = games()
    without = worths.fit(home, away, outcome, 7, n)
    fitted = worths.fit(home, away, outcome, 7, n, order_effect=True)
    assert fitted.order_effect == pytest.approx(0.302, abs=0.0006)
    worth = np.exp(fitted.log_worth) / np.exp(fitted.log_worth).sum()
    assert worth == pytest.approx([0.220, 0.190, 0.164, 0.157, 0.137, 0.088, 0.044], abs=0.0006)
    assert 2 * (fitted.log_likelihood - without.log_likelihood) == pytest.approx(5.411, abs=0.001)


def test_deviances_are_as_computed_elsewhere():
    home, away, outcome, n = map(np.array, games())

    def saturated(ordered: bool) -> float:
        total = 0.0
        key = home * 7 + away if ordered else np.minimum(home, away) * 7 + np.maximum(home, away)
        won_by_low = (outcome == 0) == (home < away)
        for k in np.unique(key):
            here = key == k
            parts = (
                [n[here & (outcome == o)].sum() for o in (0, 1)]
                if ordered
                else [n[here & (won_by_low == o)].sum() for o in (True, False)]
            )
            total += sum(c * np.log(c / sum(parts)) for c in parts if c)
        return total

    plain = worths.fit(home, away, outcome, 7, n).log_likelihood
    at_home = worths.fit(home, away, outcome, 7, n, order_effect=True).log_likelihood
    assert 2 * (saturated(False) - plain) == pytest.approx(15.74, abs=0.005)
    assert 2 * (saturated(True) - plain) == pytest.approx(44.053, abs=0.001)
    assert 2 * (saturated(True) - at_home) == pytest.approx(38.643, abs=0.001)


def test_agrees_with_an_independent_library(rng):
    truth = rng.normal(size=6)
    pairs = [(i, j) for i in range(6) for j in range(i)] * 12
    chosen = [
        (i, j) if rng.random() < 1 / (1 + np.exp(truth[j] - truth[i])) else (j, i) for i, j in pairs
    ]
    theirs = choix.opt_pairwise(6, chosen, alpha=0.0, method="Newton-CG", tol=1e-12)
    winners, losers = zip(*chosen, strict=True)
    ours = worths.fit(winners, losers, [0] * len(winners), 6)
    assert ours.log_worth == pytest.approx(theirs - theirs.mean(), abs=1e-4)


def test_two_items_with_ties_have_a_closed_form():
    """Davidson 1970: the worths' ratio is wins over wins, ν = ties / √(wins·wins): 4 and 1."""
    fitted = worths.fit([0, 0, 0], [1, 1, 1], [0, 1, 2], 2, [40, 10, 20])
    assert np.exp(fitted.difference(0, 1)[0]) == pytest.approx(4.0, rel=1e-9)
    assert fitted.tie == pytest.approx(1.0, rel=1e-9)


def test_in_a_balanced_design_davidson_ranks_as_the_score_two_one_nothing(rng):
    """Davidson 1970 (abstract): ranking by worth equals ranking by 2 a win, 1 a tie."""
    first, second, outcome = [], [], []
    for i in range(5):
        for j in range(i):
            for _ in range(30):
                first.append(i)
                second.append(j)
                outcome.append(int(rng.choice(3, p=[0.5, 0.3, 0.2])))
    score = np.zeros(5)
    for i, j, o in zip(first, second, outcome, strict=True):
        score[i] += (2, 0, 1)[o]
        score[j] += (0, 2, 1)[o]
    fitted = worths.fit(first, second, outcome, 5)
    assert len(set(score)) > 2
    for i in range(5):
        for j in range(i):
            lead = fitted.difference(i, j)[0]
            assert np.sign(round(lead, 6)) == np.sign(score[i] - score[j])


def test_an_item_that_always_wins_has_no_worth():
    with pytest.raises(BadInput, match="only ever win"):
        worths.fit([0, 0, 1, 1], [1, 2, 2, 2], [0, 0, 0, 1], 3)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)


def test_worths_that_position_explains_as_well_are_refused():
    """One item always stands first, so that its worth and the effect of position are one thing."""
    with pytest.raises(BadInput, match="too few to tell worths from the effect of position"):
        worths.fit([0, 0, 0, 0], [1, 1, 1, 1], [0, 1, 0, 0], 2, order_effect=True)
