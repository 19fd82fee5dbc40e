"""Question against retakes at any look: how often it errs where it must not, by simulation."""

import numpy as np
import pytest
from laid_out import conclude
from scipy.stats import beta, binom
from vote_records import as_tables

from panel.analysis.counts.anytime_difference import compare

RUNS, LISTENERS = 400, 12  # 16 across and 12 within, as four and four takes give
KINDS = np.repeat([True, False], [16, 12])


def drawn(rng, across, within):
    """A study: listeners vote in a mixed order; `across`, `within`: their probabilities right."""
    votes = []
    for who in range(LISTENERS):
        for kind in rng.permutation(KINDS):
            p = across[who] if kind else within[who]
            votes.append((who, bool(kind), bool(rng.random() < p)))
    order = rng.permutation(len(votes))
    return [votes[i] for i in order]  # listeners at the same time


TRUTHS = {
    "nobody hears": lambda rng: (np.full(LISTENERS, 0.5),) * 2,
    "retakes are heard as well": lambda rng: (np.full(LISTENERS, 0.85),) * 2,
    "listeners differ": lambda rng: (beta.rvs(1, 1, size=LISTENERS, random_state=rng),) * 2,
    "retakes are heard better": lambda rng: (
        np.full(LISTENERS, 0.6), np.full(LISTENERS, 0.7),
    ),
}  # fmt: skip


@pytest.mark.parametrize("truth", TRUTHS)
def test_it_errs_in_at_most_one_study_of_twenty_however_often_one_looks(truth):
    """p_anytime is the least over all looks: so this counts studies that ever reject."""
    errors = 0
    for run in range(RUNS):
        rng = np.random.default_rng([5, run])
        errors += compare(drawn(rng, *TRUTHS[truth](rng))).p_anytime <= 0.05
    assert errors <= binom.isf(0.001, RUNS, 0.05)


def test_it_finds_what_is_there():
    found = 0
    for run in range(100):
        rng = np.random.default_rng([6, run])
        found += (
            compare(drawn(rng, np.full(LISTENERS, 0.85), np.full(LISTENERS, 0.5))).p_anytime <= 0.05
        )
    assert found > 80


def test_blocks_are_counted_within_a_listener_in_order():
    votes = [
        (0, True, True), (1, False, False),  # not one listener's: no block
        (0, False, False),  # block: across right
        (0, True, False), (0, True, True), (0, False, True),  # block with the earlier: within right
        (1, True, False),  # block: neither right
        (0, False, True),  # block: both right
    ]  # fmt: skip
    found = compare(votes)
    assert (found.blocks, found.one_right, found.across_right) == (4, 2, 1)


def test_a_block_of_one_right_has_the_value_of_a_coin_that_fell():
    """One win: the mean of p over (1/2, 1) is 3/4, against 1/2: 1.5."""
    found = compare([(0, True, True), (0, False, False)])
    assert found.e_value == pytest.approx(1.5)
    assert found.p_anytime == pytest.approx(1 / 1.5)
    assert compare([]).e_value == 1.0


@pytest.mark.parametrize(("kind", "there"), [("anytime", True), ("fixed", False)])
def test_the_verdict_gives_it_for_plans_that_may_be_looked_at(made, kind, there):
    asked = made.contrast("q1", "abx", (2, 2), votes=12)
    document = made.plan(asked, made.check(), listeners=6, kind=kind)
    votes, rows = made.simulate(document, np.random.default_rng(0), effect=3.0)
    numbers = conclude(document, *as_tables(votes, rows))["contrasts"][0]["numbers"]
    assert ("anytime_difference" in numbers) is there
    if there:
        side = {t: i for i, c in enumerate(asked["conditions"]) for t in c["takes"]}
        own = [v for v in votes if v.contrast == "q1"]
        direct = compare(
            (int(v.listener[1:]), side[v.one] != side[v.two], bool(v.correct)) for v in own
        )
        assert numbers["anytime_difference"]["blocks"] == direct.blocks
        assert numbers["anytime_difference"]["p_anytime"] == pytest.approx(direct.p_anytime, 1e-5)
