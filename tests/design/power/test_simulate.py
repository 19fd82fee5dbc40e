"""Whole studies simulated: the same decisions as from a table, and chances that are known.

Marks: VALUES and SCIENCE as in tests/reference/test_power.py.
"""

from __future__ import annotations

from collections import Counter

import made_studies as made
import numpy as np
import pytest
from scipy.stats import norm
from vote_records import ListenerRow, Vote, as_judged, as_tables

from panel.analysis.counts import exact
from panel.analysis.decision.judgement import judge
from panel.design.power.simulate import Truth, answered, chances, dealt_out, decided, judged
from panel.errors import BadInput
from panel.study.plan_reading import read_plan
from panel.study.votes_check import check_against_plan


def written_out(asked, answers):
    """The votes as a table. Which take stands where is dealt out by turns: it decides nothing."""
    votes = []
    for one in asked:
        procedure, said = one.contrast.procedure, answers[one.contrast.id]
        right = said.y
        for i, sequence in enumerate(one.sequence.tolist()):
            pair = one.take_ids[one.first[i]], one.take_ids[one.second[i]]
            correct, three, four = bool(right[i]), None, None
            if procedure == "triangle":
                slots = (pair[0], pair[0], pair[1])
                answer, three = ("three" if correct else "one"), slots[2]
            elif procedure == "tetrad":
                slots = (pair[0], pair[0], pair[1], pair[1])
                answer, three, four = ("two" if correct else "four"), slots[2], slots[3]
            elif procedure == "duo_trio":
                slots = (pair[0], *pair) if i % 2 else (pair[1], *pair)
                three = slots[2]
                answer = "two" if correct == (slots[0] == slots[1]) else "three"
            elif procedure == "abx":
                slots = pair if i % 2 else pair[::-1]
                three = slots[0]
                answer = "one" if correct else "two"
            elif procedure == "same_different":
                slots = pair if i % 2 else pair[::-1]
                if not said.differ[i]:
                    slots, three = (slots[0], slots[0]), slots[1]
                answer = "different" if correct == said.differ[i] else "same"
            elif procedure == "reminder":
                three, four = (one.take_ids[r] for r in one.reminders[i])
                slots = pair if i % 2 else pair[::-1]
                answer = "one" if correct == (slots[0] == pair[0]) else "two"
            else:
                slots = pair if i % 2 else pair[::-1]
                answer = ("one", "two")[slots.index(pair[1] if right[i] else pair[0])]
                if not (one.contrast.role == "planted_check" and procedure == "attribute"):
                    correct = None
                if said.tied is not None and said.tied[i]:
                    answer = "neither"
            votes.append(
                Vote(
                    sequence=sequence, listener=f"L{one.listener[i]:03d}", trial=sequence,
                    contrast=one.contrast.id, procedure=procedure, excerpt=one.excerpt[i],
                    one=slots[0], two=slots[1], three=three, four=four, answer=answer,
                    correct=correct,
                )
            )  # fmt: skip
    votes.sort(key=lambda v: v.sequence)
    codes = sorted({v.listener for v in votes})
    return votes, [
        ListenerRow(c, True, "passed", "headphones", None, sum(v.listener == c for v in votes))
        for c in codes
    ]


STRICT = {"planted_least_right": 3, "headphones": "record"}


def studies():
    two = [
        made.contrast("q1", "abx", (4, 4), votes=12),
        made.contrast("q2", "abx", (3, 3), votes=8),
    ]
    free = made.contrast("r1", "abx", (1, 1), role="retake_control", votes=4)
    dose = made.contrast("q1", "attribute", (3, 3, 3), doses=[0.0, 10.0, 30.0], scale="log1p")
    triangle = made.contrast("q1", "triangle", (4, 4), votes=10)
    split = made.contrast("q1", "preference", (5, 5), votes=12)
    unlike = made.contrast("q1", "same_different", (4, 4), votes=16)
    check = made.check()
    return {
        "abx": made.plan(two[0], made.control_of(two[0]), check, listeners=12),
        "two questions": made.plan(*two, made.control_of(two[1]), free, check, listeners=10),
        "triangle, strict": made.plan(triangle, check, listeners=12, exclusion=STRICT),
        "tetrad": made.plan(made.contrast("q1", "tetrad", (4, 4), votes=12), check, listeners=12),
        "anytime": made.plan(two[0], check, listeners=12, kind="anytime"),
        "anytime, strict": made.plan(
            two[0], made.control_of(two[0]), check, listeners=12, kind="anytime", exclusion=STRICT
        ),
        "dose": made.plan(dose, made.check("attribute"), listeners=8),
        "preference": made.plan(split, made.control_of(split), check, listeners=14),
        "preference, anytime": made.plan(split, check, listeners=10, kind="anytime"),
        "duo-trio": made.plan(
            made.contrast("q1", "duo_trio", (4, 4), votes=12), check, listeners=14
        ),
        "same–different": made.plan(unlike, made.control_of(unlike), check, listeners=16),
        "same–different, anytime": made.plan(unlike, check, listeners=16, kind="anytime"),
        "reminder": made.plan(
            made.contrast("q1", "reminder", (4, 4), votes=12), check, listeners=14
        ),
        "three conditions": made.plan(
            made.contrast("q1", "preference", (3, 3, 3), votes=18), check, listeners=14
        ),
        "no preference allowed": made.plan(
            split | {"ties": True}, made.control_of(split), check, listeners=14
        ),
        "one file a side": made.plan(made.contrast("q1", "abx", (1, 1)), check, listeners=10),
    }


@pytest.mark.parametrize("name", studies())
def test_the_decision_is_that_of_the_written_out_table(name):
    document, runs = studies()[name], 12
    plan = read_plan(document)
    asked = dealt_out(plan)
    seen = set()
    for place, truth in enumerate((Truth(0.0, take_spread=0.5), Truth(2.5, 0.6, check_dprime=2.5))):
        rngs = [np.random.default_rng([3, place]) for _ in range(2)]
        quick = decided(rngs[0], plan, truth, runs=runs)
        drawn = answered(rngs[1], plan, asked, truth, runs=runs)
        for codes, answers in zip(quick, drawn, strict=True):
            votes, rows = check_against_plan(plan, *as_tables(*written_out(asked, answers)))
            full = judge(plan, *as_judged(plan, votes, rows))
            assert codes == {id_: one.code for id_, one in full.items()}
            seen |= set(codes.items())
    assert len(seen) > len(plan.contrasts)  # not one and the same code in every study


@pytest.mark.parametrize("name", ["anytime", "anytime, strict", "preference, anytime"])
def test_a_look_is_that_of_the_table_so_far(name):
    document = studies()[name]
    plan = read_plan(document)
    asked = dealt_out(plan)
    rng = np.random.default_rng(9)
    for answers in answered(rng, plan, asked, Truth(2.5, 0.6, check_dprime=2.5), runs=3):
        votes, _ = written_out(asked, answers)
        for until in rng.integers(20, len(votes), 5).tolist():
            so_far = [v for v in votes if v.sequence <= until]
            cast = Counter(v.listener for v in so_far)
            rows = [ListenerRow(c, False, "passed", "headphones", None, n) for c, n in cast.items()]
            full = judge(
                plan, *as_judged(plan, *check_against_plan(plan, *as_tables(so_far, rows)))
            )
            found = judged(plan, asked, answers, until=until)
            assert {i: j.code for i, j in found.items()} == {i: j.code for i, j in full.items()}
            for id_, one in found.items():
                assert one.evidence.asked.p_anytime == full[id_].evidence.asked.p_anytime
                assert one.evidence.share_upper == full[id_].evidence.share_upper


@pytest.mark.parametrize(("listeners", "dprime"), [(8, 1.5), (12, 1.0), (20, 0.0)])
def test_alike_listeners_and_one_file_a_side_give_the_exact_power(listeners, dprime):
    document = made.plan(made.contrast("q1", "abx", (1, 1), votes=10), listeners=listeners)
    truth = Truth(dprime, take_spread=0.0, listener_spread=0.0)
    found = chances(np.random.default_rng(4), read_plan(document), truth, runs=600)
    right = made.abx(dprime)  # Macmillan & Creelman's closed form, written a second time
    power = exact.power(10 * listeners, 0.5, right, 0.05)
    assert found.of("q1", "recordings_differ") == pytest.approx(
        power, abs=3.5 * np.sqrt(power * (1 - power) / 600)
    )


def test_a_share_who_hear_gives_the_power_computed_elsewhere():
    # VALUES §8 [simulated, 20,000 runs]: duo-trio and ABX, 12 × 10, 30 % hear d′ = 1.5: .270.
    document = made.plan(made.contrast("q1", "abx", (1, 1), votes=10), listeners=12)
    truth = Truth(1.5, 0.3, take_spread=0.0, listener_spread=0.0)
    found = chances(np.random.default_rng(5), read_plan(document), truth, runs=1000)
    assert found.of("q1", "recordings_differ") == pytest.approx(0.270, abs=0.045)


def test_attribution_is_shown_as_often_as_computed_elsewhere():
    # SCIENCE §4 [computed, 600 runs]: 40 × 24, take spread .25, 30 % hear d′ = 2: .54 to .69.
    document = made.plan(made.contrast("q1", "abx", (5, 5), votes=24), listeners=40)
    found = chances(np.random.default_rng(6), read_plan(document), Truth(2.0, 0.3), runs=200)
    assert 0.54 - 0.1 <= found.of("q1", "heard") <= 0.69 + 0.1


@pytest.mark.parametrize("dprime", [0.0, 1.0, 2.5])
def test_answers_come_as_often_as_the_model_of_each_procedure_says(dprime):
    # Closed forms of the differencing models (Macmillan & Creelman, Detection Theory; from memory).
    unlike = made.contrast("unlike", "same_different", (1, 1), votes=20)
    reminded = made.contrast("reminded", "reminder", (2, 2), votes=20)
    liked = made.contrast("liked", "preference", (1, 1), votes=20, ties=True)
    document = made.plan(unlike, reminded, liked, listeners=50)
    plan = read_plan(document)
    asked = dealt_out(plan)
    truth = Truth(dprime, take_spread=0.0, listener_spread=0.0, criterion=1.2, undecided=0.4)
    (answers,) = answered(np.random.default_rng(8), plan, asked, truth, runs=1)
    n, root = 1000, np.sqrt(2)

    def near(share, expected, of=n):
        assert share == pytest.approx(expected, abs=4 * np.sqrt(0.25 / of))

    told, differ = answers["unlike"].y == answers["unlike"].differ, answers["unlike"].differ
    near(differ.mean(), 0.5)
    hit = norm.cdf((dprime - 1.2) / root) + norm.cdf((-dprime - 1.2) / root)
    near(told[differ].mean(), hit, n / 2)
    near(told[~differ].mean(), 2 * norm.cdf(-1.2 / root), n / 2)
    near(answers["reminded"].y.mean(), norm.cdf(dprime / root))
    tied = answers["liked"].tied
    near(tied.mean(), norm.cdf((dprime + 0.4) / root) - norm.cdf((dprime - 0.4) / root))
    near((answers["liked"].y & ~tied).mean(), norm.cdf((dprime - 0.4) / root))
    assert answers["reminded"].tied is None
    assert answers["liked"].differ is None


def test_reminders_that_point_the_other_way_mislead():
    # Takes far apart, no change: whoever hears all is led by the reminders, and right half the time
    # over pairs, but on each set of four takes always or never.
    document = made.plan(
        made.contrast("q1", "reminder", (4, 4), votes=20), listeners=30, excerpts=1
    )
    plan = read_plan(document)
    asked = dealt_out(plan)
    truth = Truth(0.0, take_spread=1000.0, listener_spread=0.0)
    (answers,) = answered(np.random.default_rng(9), plan, asked, truth, runs=1)
    one, by_takes = asked[0], {}
    for first, second, reminders, right in zip(
        one.first.tolist(),
        one.second.tolist(),
        one.reminders.tolist(),
        answers["q1"].y,
        strict=True,
    ):
        by_takes.setdefault((first, second, *reminders), set()).add(bool(right))
    assert all(len(seen) == 1 for seen in by_takes.values())
    assert set.union(*by_takes.values()) == {True, False}


def test_shares_of_the_verdicts_add_up():
    document = studies()["two questions"]
    found = chances(np.random.default_rng(7), read_plan(document), Truth(1.0), runs=20)
    for codes in found.codes.values():
        assert sum(codes.values()) == pytest.approx(1.0)


def test_what_cannot_be_simulated_is_refused_with_a_sentence():
    with pytest.raises(BadInput, match="between 0 and 1"):
        Truth(1.0, hearing=1.5)
    with pytest.raises(BadInput, match="cannot be negative"):
        Truth(1.0, take_spread=-0.1)
    with pytest.raises(BadInput, match="cannot be negative"):
        Truth(1.0, criterion=-0.1)
