"""A verdict that hangs on one listener, excerpt or take is told as such; a firm one as firm.

The oracle is the definition: the same study without those rows, judged from the start.
"""

from dataclasses import replace

import numpy as np
import pytest
from laid_out import conclude, laid_out
from vote_records import as_judged, as_tables

from panel.analysis import verdict as verdicts
from panel.analysis.decision import left_out
from panel.analysis.decision.judgement import judge
from panel.study.plan_reading import read_plan
from panel.study.votes_check import check_against_plan


def study(made, seed=0, kind="fixed", takes=(4, 4), listeners=12, excerpts=2, **truth):
    asked = made.contrast("q1", "abx", takes, votes=16)
    document = made.plan(
        asked, made.control_of(asked), made.check(), listeners=listeners, kind=kind,
        excerpts=excerpts,
    )  # fmt: skip
    return document, *made.simulate(document, np.random.default_rng(seed), **truth)


def told(document, votes, rows):
    entry = conclude(document, *as_tables(votes, rows))["left_out"]
    return entry, {c["id"]: c for c in entry["contrasts"]}


def without_take(document, take):
    contrasts = [
        c
        if c.get("of")
        else c
        | {
            "conditions": [
                s | {"takes": [t for t in s["takes"] if t != take]} for s in c["conditions"]
            ]
        }
        for c in document["contrasts"]
    ]
    return document | {"contrasts": contrasts}


@pytest.mark.parametrize("effect", [0.0, 1.3, 2.5])
def test_leaving_out_is_judging_the_study_without_those_votes(made, effect):
    document, votes, rows = study(made, effect=effect, take_spread=0.3)
    plan = read_plan(document)
    tables = as_judged(plan, votes, rows)
    left = left_out.leave_out(plan, *tables, judge(plan, *tables))
    assert len(left.codes["listener"]) == 12
    for code, found in left.codes["listener"].items():
        kept = [v for v in votes if v.listener != code]
        fewer = [r for r in rows if r.listener != code]
        assert found["q1"] == judge(plan, *as_judged(plan, kept, fewer))["q1"].code
    for excerpt, found in left.codes["excerpt"].items():
        kept = [v for v in votes if v.excerpt != excerpt or v.contrast == "check"]
        assert found["q1"] == judge(plan, *as_judged(plan, kept, rows))["q1"].code
    assert len(left.codes["take"]) == 8
    for take, found in left.codes["take"].items():
        smaller = replace(read_plan(without_take(document, take)), sha256=plan.sha256)
        kept = [v for v in votes if take not in v.slots]
        checked, _ = check_against_plan(
            smaller,
            *as_tables(
                kept,
                [replace(r, votes=sum(v.listener == r.listener for v in kept)) for r in rows],
            ),
        )
        assert found["q1"] == judge(smaller, *as_judged(smaller, checked, rows))["q1"].code


def test_one_listener_who_carries_the_verdict_is_named(made):
    """Three right in half, one always: 40 of 64, p = 0.03; without that one 24 of 48, p = 0.56.

    Without one of the others 32 of 48, p = 0.015 (binomial, exact).
    """
    asked = made.contrast("q1", "abx", (1, 1), votes=16)
    document = made.plan(asked, made.check(), listeners=4)
    ballot = made.Ballot(document, np.random.default_rng(0))
    for who in range(4):
        for trial in range(16):
            right = who == 3 or trial % 4 < 2
            ballot.cast(f"L{who}", asked, ("q1-0-0", "q1-1-0"), f"e{trial % 2}", right)
    entry, contrasts = told(document, ballot.votes, ballot.rows())
    changes = [c for c in contrasts["q1"]["changes"] if c["kind"] == "listener"]
    assert changes == [{"kind": "listener", "left_out": "L3", "verdict": "not_enough"}]
    assert contrasts["q1"]["sentences"][0] == (
        "The verdict changes if listener L3 is left out: then not enough yet."
    )
    assert entry["tried"]["take"] == 0
    assert contrasts["q1"]["sentences"][-1] == (
        "No take can be left out: each is the only one of its condition."
    )


def test_a_firm_verdict_is_told_as_firm(made):
    _, contrasts = told(*study(made, effect=6.0, listeners=16))
    assert contrasts["q1"]["changes"] == []
    assert contrasts["q1"]["sentences"] == [
        "The verdict stays whichever listener is left out (16 tried).",
        "The verdict stays whichever excerpt is left out (2 tried).",
        "The verdict stays whichever take is left out (8 tried).",
    ]


def test_the_take_that_carries_the_verdict_is_named_by_its_label(made):
    """Takes alike but for one: told from all others, of both conditions."""
    document, votes, rows = study(made, effect=1.3, take_spread=0.3, listeners=20)
    document["takes"][2]["label"] = "third pass"
    entry, contrasts = told(document, votes, rows)
    assert entry["tried"] == {"listener": 20, "excerpt": 2, "take": 8}
    sentences = " ".join(contrasts["q1"]["sentences"])
    for change in contrasts["q1"]["changes"]:
        if change["left_out"] == "q1-0-2":
            assert "third pass" in sentences
    assert "q1-0-2" not in sentences


def test_an_anytime_plan_still_reaches_its_planned_end(made):
    """Fewer votes are left, and no verdict may change just because of that."""
    entry, contrasts = told(*study(made, kind="anytime", effect=6.0, listeners=16))
    assert entry["tried"] == {"listener": 16, "excerpt": 2, "take": 8}
    assert contrasts["q1"]["changes"] == []


def test_an_anytime_plan_that_is_not_at_its_end_stays_so(made):
    document, votes, rows = study(made, kind="anytime", effect=6.0, listeners=16)
    early = votes[:100]
    few = [replace(r, votes=sum(v.listener == r.listener for v in early)) for r in rows]
    _, contrasts = told(document, early, few)
    assert all(c["verdict"] == "not_enough" for c in contrasts["q1"]["changes"])


def test_a_single_listener_and_a_single_excerpt_cannot_be_left_out(made):
    entry, contrasts = told(*study(made, listeners=1, excerpts=1))
    assert entry["tried"]["listener"] == entry["tried"]["excerpt"] == 0
    assert contrasts["q1"]["sentences"][:2] == [
        "One listener's votes count, so no listener can be left out.",
        "One excerpt was heard, so no excerpt can be left out.",
    ]


def test_a_contrast_without_votes_says_nothing(made):
    document, _, rows = study(made, listeners=1)
    _, contrasts = told(document, [], [replace(r, votes=0) for r in rows])
    assert contrasts["q1"]["sentences"] == contrasts["q1"]["changes"] == []


def test_in_a_large_panel_those_who_move_it_most_are_tried_and_it_is_said(made, monkeypatch):
    monkeypatch.setattr(left_out, "MOST_LISTENERS", 3)
    document, votes, rows = study(made, effect=6.0, hears=0.5, listener_spread=0.0)
    entry, contrasts = told(document, votes, rows)
    assert entry["tried"]["listener"] == 3
    assert entry["present"]["listener"] == 12
    right = {
        r.listener: sum(bool(v.correct) for v in votes
                        if v.listener == r.listener and v.contrast == "q1")
        for r in rows
    }  # fmt: skip
    mean = np.mean(list(right.values()))
    far = sorted(right, key=lambda code: (-abs(right[code] - mean), code))[:3]
    plan = read_plan(document)
    tables = as_judged(plan, votes, rows)
    left = left_out.leave_out(plan, *tables, judge(plan, *tables))
    assert set(left.codes["listener"]) == set(far)
    if not any(c["kind"] == "listener" for c in contrasts["q1"]["changes"]):
        assert "the other 9 were not tried" in contrasts["q1"]["sentences"][0]


def test_the_report_tells_it_in_its_numbers(made):
    from panel.report.page.contents import context

    document, votes, rows = study(made, effect=6.0, listeners=16)
    plan = read_plan(document)
    verdict = verdicts.conclude(plan, *as_tables(votes, rows))
    section = context(plan, verdict, *as_tables(votes, rows))["report"].sections[0]
    assert dict(section.numbers)["With one left out"] == " ".join(
        laid_out(plan, verdict)["left_out"]["contrasts"][0]["sentences"]
    )
