"""Each listener's reliability: counts by hand, intervals by the exact law."""

import numpy as np
import pytest
from laid_out import conclude
from vote_records import as_tables

from panel.analysis.counts import exact
from panel.analysis.wording.reliability import of_panel
from panel.prose import ENGLISH
from panel.study.documents import Entry
from panel.study.shapes import read
from panel.study.verdict import Reliability


@pytest.fixture
def told(made):
    asked = made.contrast("q1", "abx", (1, 1), votes=20)
    planted = made.check()
    document = made.plan(asked, planted, listeners=2, excerpts=1)
    ballot = made.Ballot(document, np.random.default_rng(3))
    pair, other = made.pairs_of(asked)[0][0], made.pairs_of(planted)[0][0]
    for outcome in (True, True, False, True):
        ballot.cast("A", asked, pair, "e0", outcome)
    for outcome in (True, True, False):
        ballot.cast("A", planted, other, "e0", outcome)
    ballot.cast("B", asked, pair, "e0", True)
    return conclude(document, *as_tables(ballot.votes, ballot.rows())), ballot


def test_planted_checks_with_exact_interval(told):
    a, b = told[0]["reliability"]
    assert (a["planted"]["count"], a["planted"]["trials"]) == (2, 3)
    assert a["planted"]["interval"] == pytest.approx(exact.interval(2, 3), rel=1e-5)
    assert b["planted"] is None


def test_agreement_on_repeats(told):
    # Question: T T F T -> of three neighbours one agrees. The check, T T F, is easy: not counted.
    assert told[0]["reliability"][0]["repeats"] == {"same": 1, "compared": 3}
    assert told[0]["reliability"][1]["repeats"] is None


def test_side_bias_counts_the_first_position(told):
    document, ballot = told
    ones = sum(v.answer == "one" for v in ballot.votes if v.listener == "A")
    side = document["reliability"][0]["side"]
    assert (side["count"], side["trials"], side["chance"]) == (ones, 7, 0.5)


def test_time_and_plays_are_medians(told):
    assert told[0]["reliability"][0]["seconds_median"] == 20
    assert told[0]["reliability"][0]["plays_median"] == 3


def test_keen_listeners_get_the_larger_sensitivity(made):
    """Half the panel hears, half guesses: shrunken d′ tells them apart, in most."""
    asked = made.contrast("q1", "attribute", (4, 4), votes=28)
    document = made.plan(asked, listeners=12)
    ballot = made.Ballot(document, np.random.default_rng(9))
    rng = np.random.default_rng(10)
    across, within = made.pairs_of(asked)
    for who in range(12):
        for k, pair in enumerate([*across, *within]):
            p = 0.9 if who < 6 and k < len(across) else 0.5
            ballot.cast(f"L{who:02d}", asked, pair, "e0", rng.random() < p)
    told = conclude(document, *as_tables(ballot.votes, ballot.rows()))
    values = [r["dprime"]["q1"]["value"] for r in told["reliability"]]
    assert min(values[:6]) > np.median(values[6:])
    for r in told["reliability"]:
        low, high = r["dprime"]["q1"]["interval"]
        assert low < r["dprime"]["q1"]["value"] < high


def test_the_panel_as_a_whole_is_counted(told):
    rows = [read(Reliability, Entry(row, "row", "")) for row in told[0]["reliability"]]
    planted, repeats = of_panel(ENGLISH, rows)
    assert "2 of 3 trials" in planted
    assert "0 of 1 listener got all" in planted
    assert "in 1 of 3 cases" in repeats


def test_what_the_panel_cannot_tell_is_said():
    planted, repeats = of_panel(ENGLISH, ())
    assert "nobody is shown" in planted
    assert "cannot be told" in repeats
