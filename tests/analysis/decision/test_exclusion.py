"""Who counts, by the plan's rule; and that the rule cannot bend a test that may be looked at."""

from dataclasses import replace

import numpy as np
import pytest
from laid_out import conclude
from vote_records import as_tables

from panel.analysis.decision import exclusion
from panel.study.plan_reading import read_plan


def concluded(document, votes, rows):
    return conclude(document, *as_tables(votes, rows))


def study(made, checks_right, *, kind="fixed", least=3, headphones="record", answered=4):
    """Listeners with as many of their planted checks right as `checks_right` says."""
    asked = made.contrast("q1", "abx", (4, 4), votes=6)
    planted = made.check()
    document = made.plan(
        asked,
        planted,
        listeners=len(checks_right),
        kind=kind,
        exclusion={"planted_least_right": least, "headphones": headphones},
    )
    ballot = made.Ballot(document, np.random.default_rng(2))
    across, within = made.pairs_of(asked)
    pair = made.pairs_of(planted)[0][0]
    for turn in range(max(6, answered)):
        for who, right in enumerate(checks_right):
            ballot.cast(f"L{who:02d}", asked, [*across, *within][(7 * turn + who) % 28], "e0", True)
            if turn < answered:
                ballot.cast(f"L{who:02d}", planted, pair, "e0", turn < right)
    return document, ballot.votes, ballot.rows()


def test_fewer_than_the_least_right_are_excluded_and_named(made):
    told = concluded(*study(made, [4, 3, 2, 0]))
    assert told["excluded"]["listeners"] == ["L02", "L03"]
    assert told["excluded"]["rule"] == "Only listeners with at least 3 planted checks right count."
    by_code = {r["listener"]: r for r in told["reliability"]}
    assert [by_code[c]["counts"] for c in ("L00", "L01", "L02", "L03")] == [
        True,
        True,
        False,
        False,
    ]
    assert by_code["L02"]["planted"]["count"] == 2


def test_who_answered_fewer_checks_than_needed_cannot_pass(made):
    told = concluded(*study(made, [2, 2], answered=2))
    assert told["excluded"]["listeners"] == ["L00", "L01"]
    assert told["contrasts"][0]["verdict"] == "not_enough"
    assert told["contrasts"][0]["sentence"] == "Not enough yet. No votes count for this contrast."


def test_verdict_without_exclusion_is_told_where_it_differs(made):
    document, votes, rows = study(made, [4, 4, 4, 0, 0, 0])
    # Three listeners who hear nothing and miss the checks: with them the votes do not beat chance.
    plan = read_plan(document)
    kept = [v for v in votes if v.listener < "L03" or v.contrast == "check"]
    rest = [v for v in votes if not (v.listener < "L03" or v.contrast == "check")]
    turned = [replace(v, correct=False, answer="two" if v.answer == "one" else "one") for v in rest]
    told = conclude(document, *as_tables(kept + turned, rows))
    assert plan.planted_least_right == 3
    assert told["excluded"]["changes_verdict"] is True
    assert told["excluded"]["verdicts_without"]["q1"] == "not_enough"
    assert told["contrasts"][0]["verdict"] != "not_enough"


def test_headphones_exclude_whoever_did_not_pass(made):
    document, votes, rows = study(made, [4, 4, 4], least=None, headphones="exclude")
    rows = [
        replace(rows[0], headphone_check="failed"),
        replace(rows[1], headphone_check="not taken"),
        rows[2],
    ]
    told = conclude(document, *as_tables(votes, rows))
    assert told["excluded"]["listeners"] == ["L00", "L01"]
    assert "passed the headphone check count" in told["excluded"]["rule"]


def test_nobody_is_excluded_without_a_rule(made):
    told = concluded(*study(made, [0, 0], least=None))
    assert told["excluded"]["listeners"] == []
    assert told["excluded"]["changes_verdict"] is False


def test_planted_check_is_judged_on_everybody(made):
    """Among those kept by the rule the check always looks good, even if all only guess."""
    rng = np.random.default_rng(6)
    rights = rng.binomial(4, 0.5, 40).tolist()
    told = concluded(*study(made, rights))
    check = {c["id"]: c for c in told["contrasts"]}["check"]
    assert 0 < len(told["excluded"]["listeners"]) < 40
    assert check["trials"] == 160
    assert check["verdict"] == "not_enough"


def test_counted_sequence_only_grows_at_its_end(made):
    """Anytime plans: at each moment the counted votes continue those counted before."""
    document, votes, rows = study(made, [4, 3, 0, 4, 2], kind="anytime")
    plan = read_plan(document)
    before: list = []
    for n in range(len(votes) + 1):
        now = list(exclusion.apply(plan, *as_tables(votes[:n], rows)).kept)
        assert now[: len(before)] == before
        before = now
    assert len(before) > 0


@pytest.mark.parametrize("least", [None, 2])
def test_error_rate_under_looking_at_every_vote_with_exclusion(made, least):
    """Guessers only; look after every listener's turn; ever under 5 % in at most 5 %."""
    rng = np.random.default_rng(21)
    from panel.analysis.counts import anytime

    runs, false = 150, 0
    rule = {"planted_least_right": least, "headphones": "record"}
    asked, planted = made.contrast("q1", "abx", (1, 1), votes=10), made.check(votes=4)
    document = made.plan(asked, planted, kind="anytime", listeners=8, exclusion=rule)
    plan = read_plan(document)
    pair, check_pair = made.pairs_of(asked)[0][0], made.pairs_of(planted)[0][0]
    for _ in range(runs):
        ballot = made.Ballot(document, rng)
        for turn in range(14):
            for who in range(8):
                what, which = (planted, check_pair) if turn % 4 == 1 else (asked, pair)
                ballot.cast(f"L{who}", what, which, "e0", rng.random() < 0.5)
        rows = ballot.rows()
        for n in range(8, len(ballot.votes) + 1, 8):
            kept = exclusion.apply(plan, *as_tables(ballot.votes[:n], rows)).kept
            y = [bool(v.correct) for v in (ballot.votes[i] for i in kept) if v.contrast == "q1"]
            if anytime.p_anytime(y, 0.5) <= 0.05:
                false += 1
                break
    assert false / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


def test_limits_are_of_all_who_voted_and_at_most_is_the_larger(made):
    """Nine who hear all, and nine who guess and are left out: from those who pass alone “at
    least” would say too much."""
    document, votes, rows = study(made, [4] * 9 + [0] * 9)
    turned = [
        replace(v, correct=False, answer="two" if v.answer == "one" else "one")
        if v.listener >= "L09" and v.contrast == "q1" and v.trial % 2
        else v
        for v in votes
    ]
    strict = conclude(document, *as_tables(turned, rows))["contrasts"][0]["numbers"]
    lax = document | {"exclusion": {"planted_least_right": None, "headphones": "record"}}
    everybody = conclude(lax, *as_tables(turned, rows))["contrasts"][0]["numbers"]
    alone = [v for v in turned if v.listener < "L09"]
    passing = conclude(lax, *as_tables(alone, rows[:9]))["contrasts"][0]["numbers"]
    assert strict["share_lower"] == everybody["share_lower"] < passing["share_lower"]
    assert strict["share_upper"] == max(everybody["share_upper"], passing["share_upper"])
    assert strict["share_right"] == passing["share_right"]
