"""Listeners who withdrew: told in the verdict, and of no use to whoever knows the outcomes."""

from dataclasses import replace

import numpy as np
import pytest
from laid_out import conclude
from vote_records import ListenerRow, as_listeners, as_tables, listener_rows

from panel.analysis.decision import withdrawn
from panel.errors import BadInput
from panel.study.plan_reading import read_plan
from panel.study.votes_check import check_against_plan
from panel.study.votes_csv import read_listeners, write_listeners

GONE = ListenerRow("zz9", False, "not taken", "unknown", None, 0, "removed", 14)


@pytest.fixture
def voted(made):
    """A function: plan and votes of a plain difference heard by all, fixed or anytime."""

    def make(kind):
        asked = made.contrast("q1", "abx", (4, 4), votes=12)
        document = made.plan(asked, made.control_of(asked), made.check(), listeners=14, kind=kind)
        return document, *made.simulate(document, np.random.default_rng(3), effect=3.0)

    return make


def question(told):
    return next(c for c in told["contrasts"] if c["role"] == "question")


def test_a_sealed_verdict_tells_of_those_who_withdrew_and_stays(voted):
    document, votes, rows = voted("fixed")
    before, after = (
        conclude(document, *as_tables(votes, there)) for there in (rows, [*rows, GONE])
    )
    assert "withdrawn" not in before
    assert after["withdrawn"]["removed"] == 1
    assert after["withdrawn"]["answers_removed"] == 14
    assert "1 listener withdrew" in " ".join(question(after)["reasons"])
    assert question(after)["verdict"] == question(before)["verdict"] == "heard"
    assert after["listeners"] == len(rows)
    assert all(entry["listener"] != "zz9" for entry in after["reliability"])
    assert question(after)["numbers"] == question(before)["numbers"]


def test_answers_left_without_a_name_count_on_and_are_told(voted):
    document, votes, rows = voted("fixed")
    left = [replace(rows[0], withdrew="kept"), *rows[1:]]
    told = conclude(document, *as_tables(votes, left))
    assert told["withdrawn"]["kept"] == 1
    before = question(conclude(document, *as_tables(votes, rows)))
    assert question(told)["numbers"] == before["numbers"]


def test_where_outcomes_could_be_seen_a_removal_rules_out_the_claim(voted):
    document, votes, rows = voted("anytime")
    assert question(conclude(document, *as_tables(votes, rows)))["verdict"] == "heard"
    told = question(conclude(document, *as_tables(votes, [*rows, GONE])))
    assert told["verdict"] == "recordings_differ"
    assert told["numbers"]["barrier"] == "answers_removed"
    assert told["numbers"]["p_chance"] is not None
    assert "counts against a claim" in " ".join(told["reasons"])


def test_not_heard_is_out_of_reach_once_answers_were_removed_in_sight_of_outcomes(made):
    asked = made.contrast("q1", "abx", (4, 4), votes=16)
    document = made.plan(asked, made.control_of(asked), made.check(), listeners=60, kind="anytime")
    votes, rows = made.simulate(document, np.random.default_rng(4))
    assert question(conclude(document, *as_tables(votes, rows)))["verdict"] == "not_heard"
    told = question(conclude(document, *as_tables(votes, [*rows, GONE])))
    assert told["verdict"] == "not_enough"


def test_an_organiser_who_removes_losing_listeners_gains_nothing(made):
    """By simulation under guessing: the listeners with the lowest shares are taken out,
    which would break the plain anytime p; the worst-case p holds its level."""
    rng = np.random.default_rng(5)
    asked = made.contrast("q1", "abx", (4, 4), votes=8)
    contrast = read_plan(made.plan(asked)).contrasts[0]
    runs, alpha, plain_hits, bound_hits = 400, 0.05, 0, 0
    for _ in range(runs):
        right = rng.binomial(8, 0.5, 60)
        stay = right[right > 3]  # whoever did badly is made to withdraw
        gone = withdrawn.Withdrawn(0, (8,) * (60 - stay.size))
        count, n = int(stay.sum()), int(8 * stay.size)
        removed = withdrawn.most_removed(contrast, gone)
        assert removed == 8 * (60 - stay.size)
        plain_hits += withdrawn.p_at_worst(contrast, count, n, 0) <= alpha
        bound_hits += withdrawn.p_at_worst(contrast, count, n, removed) <= alpha
    assert plain_hits > 3 * alpha * runs  # the hole is real without the guard
    assert bound_hits <= alpha * runs


def test_the_table_is_written_and_read_back_and_older_tables_still_read():
    rows = [GONE, ListenerRow("aa2", True, "passed", "headphones", 48_000, 3, "kept")]
    assert listener_rows(read_listeners(write_listeners(as_listeners(rows)))) == rows
    old = "listener,finished,headphone_check,playback,sample_rate,votes\naa2,1,passed,unknown,,3\n"
    assert listener_rows(read_listeners(old)) == [
        ListenerRow("aa2", True, "passed", "unknown", None, 3)
    ]


@pytest.mark.parametrize(
    ("spoilt", "words"),
    [
        (replace(GONE, withdrew="gone"), "empty, kept"),
        (replace(GONE, withdrew=""), "impossible number"),
        (replace(GONE, withdrew="kept"), "impossible number"),
    ],
)
def test_a_table_that_contradicts_itself_is_refused(voted, spoilt, words):
    document, votes, rows = voted("fixed")
    with pytest.raises(BadInput, match=words):
        check_against_plan(read_plan(document), *as_tables(votes, [*rows, spoilt]))
