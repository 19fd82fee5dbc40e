"""The guard against two changes at once, sentence by sentence of its design."""

from __future__ import annotations

import pytest

from panel.design.guard.check import guard
from panel.errors import BadInput
from panel.study.conditions import Condition

from .logs import FACTORS, four_a_side, sides, take


def test_one_factor_differs_allowed():
    found = guard(sides([1, 4, 6, 7], [2, 3, 5, 8]), four_a_side(), FACTORS)
    assert (found.role, found.allowed, found.factor) == ("question", True, "adhesive")
    assert found.differs == ("adhesive",)
    assert found.warnings == ()


def test_none_differs_it_is_a_retake_control():
    found = guard(sides([1], [2]), [take(1), take(2)], FACTORS)
    assert (found.role, found.allowed, found.differs) == ("retake_control", True, ())


def test_more_than_one_is_refused_naming_the_factors_with_the_nearest_clean_pair():
    takes = [take(7), take(12, "epoxy", 24.0), take(9, "epoxy", 19.5)]
    found = guard(sides([7], [12]), takes, FACTORS)
    assert (found.role, found.allowed) == ("question", False)
    assert found.differs == ("adhesive", "bench")
    assert "adhesive (hide glue → epoxy)" in found.sentence
    assert "bench temperature (19 → 24 °C)" in found.sentence
    assert [(p.take_a, p.take_b, p.factor) for p in found.nearest] == [
        ("t07", "t09", "adhesive"), ("t09", "t12", "bench"),
    ]  # fmt: skip
    assert "t07 and t09 differ in adhesive only" in found.sentence


def test_where_no_clean_pair_exists_it_says_so():
    found = guard(sides([1], [2]), [take(1), take(2, "epoxy", 24.0)], FACTORS)
    assert found.nearest == ()
    assert "record such takes first" in found.sentence


@pytest.mark.parametrize(("reason", "allowed"), [(None, False), ("", False), (" \n", False),
                                                 ("sold as one kit", True)])  # fmt: skip
def test_override_only_with_a_written_reason(reason, allowed):
    found = guard(sides([1], [2]), [take(1), take(2, "epoxy", 24.0)], FACTORS, reason)
    assert found.allowed is allowed
    assert found.overridden is allowed
    assert ("cannot be attributed to one change" in found.sentence) is allowed


def test_any_pair_across_counts():
    # Only one of the takes was recorded in a warm room: still two factors.
    takes = [take(1), take(2, "epoxy"), take(3), take(4, "epoxy", 24.0)]
    found = guard(sides([1, 3], [2, 4]), takes, FACTORS)
    assert not found.allowed
    assert found.differs == ("adhesive", "bench")
    assert found.within == ("bench",)


def test_unlogged_factors_count_as_unknown_and_are_named():
    takes = [take(1, room=None), take(2, "epoxy"), take(3), take(4, "epoxy")]
    found = guard(sides([1, 3], [2, 4]), takes, FACTORS)
    assert found.allowed
    assert found.unlogged == ("room",)
    assert any("unknown: room" in warning for warning in found.warnings)


def test_a_numeric_factor_within_its_tolerance_is_the_same():
    takes = [take(1, bench=19.0), take(2, "epoxy", 20.0)]
    assert guard(sides([1], [2]), takes, FACTORS).differs == ("adhesive",)


def test_takes_that_differ_within_a_condition_are_named():
    # Pairs across lie within the tolerance, the pair inside side 1 does not.
    takes = [
        take(1, bench=18.2),
        take(2, "epoxy", 19.1),
        take(3, bench=20.0),
        take(4, "epoxy", 19.0),
    ]
    found = guard(sides([1, 3], [2, 4]), takes, FACTORS)
    assert found.allowed
    assert found.within == ("bench",)
    assert any("side 1" in w and "t01 and t03" in w for w in found.warnings)


def test_a_take_on_the_wrong_side_is_found():
    takes = [take(1), take(2, "epoxy"), take(3, "epoxy"), take(4, "epoxy")]
    found = guard(sides([1, 3], [2, 4]), takes, FACTORS)
    assert not found.allowed
    assert "t03" in found.sentence
    assert "both logged as epoxy" in found.sentence


@pytest.mark.parametrize(
    ("count", "sentence"),
    [(1, "not for what was changed"), (2, "1/3,"), (3, "1/10,"), (4, ""), (5, "")],
)
def test_too_few_takes_are_said_with_the_floor(count, sentence):
    takes = [take(i + 1, ("hide glue", "epoxy")[i % 2]) for i in range(2 * count)]
    groups = [list(range(1, 2 * count, 2)), list(range(2, 2 * count + 1, 2))]
    found = guard(sides(*groups), takes, FACTORS)
    few = [w for w in found.warnings if "Record four takes" in w]
    assert [sentence in w for w in few] == ([True] if sentence else [])


@pytest.mark.parametrize(
    ("conditions", "sentence"),
    [
        (sides([1]), "two conditions"),
        ([Condition("x", ("t01",)), Condition("x", ("t02",))], "a name of its own"),
        ([Condition("x", ("t01",)), Condition("y", ())], "has no takes"),
        (sides([1], [9]), "no take t09"),
        (sides([1, 2], [2]), "again under"),
    ],
)
def test_what_is_no_contrast_is_refused(conditions, sentence):
    with pytest.raises(BadInput, match=sentence):
        guard(conditions, [take(1), take(2, "epoxy")], FACTORS)
