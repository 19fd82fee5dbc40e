"""What the log would bear: contrasts proposed from the takes at hand."""

from __future__ import annotations

from panel.design.guard.propose import propose

from .logs import FACTORS, four_a_side, take


def test_proposals_are_clean_and_hold_all_takes_that_fit():
    takes = [*four_a_side(), take(9, "epoxy", 24.0)]
    found = propose(takes, FACTORS)
    assert all(proposal.guard.allowed for proposal in found)
    best = found[0]
    assert best.factor == "adhesive"
    assert {len(condition.takes) for condition in best.conditions} == {4}
    assert all("t09" not in condition.takes for condition in best.conditions)
    bench = next(p for p in found if p.factor == "bench")
    assert [c.dose for c in bench.conditions] == [19.0, 24.0]


def test_many_doses_make_one_question():
    takes = [take(i + 1, bench=10.0 * (i % 4)) for i in range(16)]
    found = [p for p in propose(takes, FACTORS) if p.factor == "bench"]
    assert len(found) == 1
    assert [c.dose for c in found[0].conditions] == [0.0, 10.0, 20.0, 30.0]
    assert {len(c.takes) for c in found[0].conditions} == {4}


def test_takes_alike_in_everything_are_proposed_as_control():
    found = propose([take(1), take(2), take(3)], FACTORS)
    assert [(p.factor, p.guard.role) for p in found] == [(None, "retake_control")]


def test_nothing_to_propose_from_one_take():
    assert propose([take(1)], FACTORS) == []
