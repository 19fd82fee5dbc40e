"""A question given another factor: guard, plan, schedule and floor."""

from __future__ import annotations

import copy
import itertools
import math
from collections import Counter
from dataclasses import replace

import pytest

from panel.analysis.attribution import several_factors
from panel.analysis.decision.of_the_change import least_p
from panel.design import floor
from panel.design.guard.check import guard
from panel.design.guard.propose import propose
from panel.design.plan import checked
from panel.design.power.planner import outlook
from panel.design.power.votes import given_across_share
from panel.design.schedule import contrast_pairs, deck, listener_trials
from panel.errors import BadInput
from panel.study.factors import Factor, TakeLog
from panel.study.plan_reading import read_plan

from ..crossed import EVEN, FACTORS, UNEVEN, conditions, crossed, takes


def logs(made):
    return [TakeLog(t.id, t.order, t.log, t.label) for t in made]


def element(made, take):
    return next(t.log["element"] for t in made if t.id == take)


def test_crossed_takes_are_refused_without_and_allowed_given_the_other_factor():
    made = takes()
    assert not guard(conditions(made), logs(made), FACTORS).allowed
    found = guard(conditions(made), logs(made), FACTORS, given=["element"])
    assert found.allowed
    assert (found.factor, found.differs, found.given) == ("adhesive", ("adhesive",), ("element",))
    assert "given element" in found.sentence
    assert {s.label for s in found.strata} == {"element ribbon", "element coil"}
    for stratum in found.strata:
        assert len({element(made, take) for take in stratum.takes}) == 1


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        (((3, 3), (3, 0)), "no take of “epoxy” with element coil"),
        (((3, 3), (1, 3)), "one take of “hide glue” with element coil"),
        (((3, 3), (0, 0)), "alike in element: ask without it"),
    ],
)
def test_cells_that_cannot_tell_are_refused_in_words(cells, words):
    made = takes(cells)
    found = guard(conditions(made), logs(made), FACTORS, given=["element"])
    assert not found.allowed
    assert words in found.sentence
    with pytest.raises(BadInput, match="element"):
        crossed(cells)


BLOCKS = {  # cells in the order of recording, three takes each
    "both": ("hide glue ribbon", "epoxy ribbon", "hide glue coil", "epoxy coil"),
    "turned": ("hide glue ribbon", "epoxy ribbon", "epoxy coil", "hide glue coil"),
    "crossed over": ("hide glue ribbon", "hide glue coil", "epoxy coil", "epoxy ribbon"),
}


def in_blocks(cells):
    """Three takes of each cell, cell after cell."""
    made = takes()
    left = {
        cell: [t for t in made if f"{t.log['adhesive']} {t.log['element']}" == cell]
        for cell in cells
    }
    return [
        replace(take, order=3 * turn + k + 1)
        for turn, cell in enumerate(cells)
        for k, take in enumerate(left[cell])
    ]


@pytest.mark.parametrize("cells", BLOCKS.values(), ids=BLOCKS)
def test_conditions_recorded_one_after_the_other_in_a_stratum_are_warned_of(cells):
    """Over all takes the conditions alternate; labels are permuted within strata, and there not."""
    made = in_blocks(cells)
    found = guard(conditions(made), logs(made), FACTORS, given=["element"])
    assert found.allowed
    for stratum in ("ribbon", "coil"):
        first, second = (cell.removesuffix(f" {stratum}") for cell in cells if stratum in cell)
        assert (
            f"with element {stratum} all of “{first}”, then all of “{second}”"
            in found.order_warning
        )
    assert found.order_warning in found.warnings


def test_only_the_stratum_recorded_in_one_go_is_named_and_mixed_order_is_not_warned_of():
    made = takes()
    assert guard(conditions(made), logs(made), FACTORS, given=["element"]).order_warning == ""
    ribbon = [t for t in made if t.log["element"] == "ribbon"]
    ranked = sorted(ribbon, key=lambda t: t.log["adhesive"])
    placed = {t.id: spot.order for t, spot in zip(ranked, ribbon, strict=True)}
    made = [replace(t, order=placed.get(t.id, t.order)) for t in made]
    text = guard(conditions(made), logs(made), FACTORS, given=["element"]).order_warning
    assert "with element ribbon all of “epoxy”, then all of “hide glue”" in text
    assert "coil" not in text


def test_a_third_change_within_a_stratum_is_refused_though_another_factor_is_given():
    factors = (*FACTORS, Factor("room", "room"))
    made = [
        replace(t, log={**t.log, "room": "A" if t.log["adhesive"] == "epoxy" else "B"})
        for t in takes()
    ]
    found = guard(conditions(made), logs(made), factors, "I know", given=["element"])
    assert not found.allowed
    assert "adhesive and room" in found.sentence


def test_a_take_without_the_given_factor_in_its_log_is_refused_by_name():
    made = takes()
    made[4] = replace(made[4], log={**made[4].log, "element": None})
    found = guard(conditions(made), logs(made), FACTORS, given=["element"])
    assert not found.allowed
    assert "Take 05 has no element in its log" in found.sentence


@pytest.mark.parametrize(
    ("question", "words"),
    [
        ({"procedure": "reminder"}, "round robin"),
        ({"scale": "linear"}, "trend"),
        ({"override_reason": "because"}, "reason"),
    ],
)
def test_what_cannot_be_asked_given_another_factor_is_refused(question, words):
    with pytest.raises(BadInput, match=words):
        crossed(question=question)


def test_strata_that_are_not_those_of_the_log_are_refused():
    plan = crossed()
    assert plan["contrasts"][0]["given"] == ["element"]
    checked(plan)
    moved = copy.deepcopy(plan)
    first, second = moved["contrasts"][0]["strata"]
    first["takes"][0], second["takes"][0] = second["takes"][0], first["takes"][0]
    with pytest.raises(BadInput, match="strata are not what the chain logs say"):
        checked(moved)
    bare = copy.deepcopy(plan)
    del bare["contrasts"][0]["given"]
    with pytest.raises(BadInput):
        checked(bare)


@pytest.mark.parametrize("cells", [EVEN, UNEVEN])
def test_only_pairs_within_a_stratum_are_dealt_each_equally_often(cells):
    plan, made = read_plan(crossed(cells)), takes(cells)
    wanted = {
        (a.id, b.id)
        for a, b in itertools.combinations(made, 2)
        if a.log["element"] == b.log["element"]
    }
    asked = plan.contrasts[0]
    assert set(contrast_pairs(asked)) == wanted
    # 30 pairs × 2 excerpts are a deck of 60: five listeners of 24 take two decks.
    seen = Counter(
        (trial.take_a, trial.take_b, trial.excerpt)
        for who in range(5)
        for trial in listener_trials(plan, who)
    )
    assert set(seen.values()) == {2}
    assert set(seen) == {(*pair, e) for pair in wanted for e in ("e1", "e2")}


def test_each_round_holds_a_take_once_at_most():
    plan = crossed()
    cards = deck(read_plan(plan), read_plan(plan).contrasts[0], 3)
    # Six takes a stratum: a round is three pairs of each stratum, six cards, all twelve takes.
    for start in range(0, len(cards), 6):
        held = [take for pair, _ in cards[start : start + 6] for take in pair]
        assert len(set(held)) == 12


def test_condition_plays_no_part_in_the_schedule():
    made = takes()
    plan = crossed(made=made)
    swap = {"hide glue": "epoxy", "epoxy": "hide glue"}
    turned = [
        replace(t, log={**t.log, "adhesive": swap[t.log["adhesive"]]}) if i % 3 == 0 else t
        for i, t in enumerate(made)
    ]
    other = crossed(made=turned)
    assert conditions(turned) != conditions(made)
    assert read_plan(other).sha256 != read_plan(plan).sha256
    for who in range(4):
        assert listener_trials(read_plan(other), who) == listener_trials(read_plan(plan), who)


@pytest.mark.parametrize("procedure", ["abx", "attribute"])
@pytest.mark.parametrize("cells", [EVEN, UNEVEN, ((2, 2), (2, 2)), ((3, 3), (2, 4))])
def test_least_p_is_told_in_the_plan_and_is_that_of_the_analysis(cells, procedure):
    """Closed form: products of binomial coefficients over strata, over the renamings that the
    statistic cannot tell apart."""
    plan = crossed(cells, procedure)
    directed = procedure == "attribute"
    each = [math.comb(sum(row), row[0]) for row in cells]
    same = [row[0] == row[1] for row in cells]
    if directed:
        ways = math.prod(each) // (2 if all(same) else 1)
    else:
        ways = math.prod(n // 2 if even else n for n, even in zip(each, same, strict=True))
    (found,) = outlook(read_plan(plan)).contrasts
    assert found.least_p == pytest.approx(1 / ways)
    read = read_plan(plan)
    assert least_p(read.questions[0], read.sampling[read.questions[0].id]) == pytest.approx(
        1 / ways
    )
    assert any("Given element" in sentence for sentence in found.sentences)
    few = any("cannot pass 0.05" in sentence for sentence in found.sentences)
    assert few == (1 / ways > 0.05) == (not found.attributable)


def test_the_floor_names_the_takes_that_would_do():
    text = floor.given_sentence([(2, 2), (2, 2)], directed=False)
    assert "1/9" in text  # (6/2)²
    assert "three takes of each condition in each of the two groups" in text  # (20/2)² = 100
    assert floor.given_sentence(EVEN, directed=False) == ""
    assert floor.given_sentence([(2, 2)] * 3, directed=False) == ""  # 27 ways


def test_share_across_is_that_of_the_dealt_pairs():
    asked = read_plan(crossed(UNEVEN)).contrasts[0]
    side = asked.side_of
    pairs = contrast_pairs(asked)
    across = sum(side[a] != side[b] for a, b in pairs)
    assert given_across_share(UNEVEN) == pytest.approx(across / len(pairs))


def test_the_log_proposes_it_both_ways_round():
    found = {p.name: p for p in propose(logs(takes()), FACTORS) if p.guard.given}
    assert set(found) == {
        "adhesive: hide glue or epoxy, given element",
        "element: ribbon or coil, given adhesive",
    }
    assert all(sum(len(c.takes) for c in p.conditions) == 12 for p in found.values())
    assert not any(p.guard.given for p in propose(logs(takes(((3, 3), (1, 3)))), FACTORS))


def test_strata_of_the_analysis_are_those_of_the_plan():
    read = read_plan(crossed(UNEVEN)).contrasts[0]
    levels = {
        "asked": list(read.side_of.values()),
        "given": [read.stratum_of[take] for take in read.side_of],
    }
    sizes = several_factors.strata_of(levels, "asked").sizes
    assert sorted(sizes) == [(2, 4), (4, 2)]
