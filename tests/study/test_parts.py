"""Resistance and capacitance in the chain log: units of the trade, SI prefixes (SI Brochure)."""

import pytest

from panel.study.factors import Factor, TakeLog
from panel.study.parts import low_cut_of, part_unit, parts_of

R = Factor("load", "load", "numeric", "kΩ")
C = Factor("coupling", "coupling", "numeric", "nF", 2.2)


@pytest.mark.parametrize(
    ("unit", "kind", "size"),
    [
        ("nF", "capacitance", 1e-9), ("pF", "capacitance", 1e-12), ("µF", "capacitance", 1e-6),
        ("μF", "capacitance", 1e-6), ("uF", "capacitance", 1e-6), ("F", "capacitance", 1.0),
        ("kΩ", "resistance", 1e3), ("MΩ", "resistance", 1e6), ("mΩ", "resistance", 1e-3),
        ("\N{OHM SIGN}", "resistance", 1.0), ("k\N{OHM SIGN}", "resistance", 1e3),
        ("Mohm", "resistance", 1e6), ("k ohms", "resistance", 1e3), ("KOhm", "resistance", 1e3),
    ],
)  # fmt: skip
def test_units_of_the_trade(unit, kind, size):
    assert part_unit(unit) == (kind, size)


@pytest.mark.parametrize("unit", ["", "h", "°C", "Hz", "half", "V", "xF", "nFarm", "k"])
def test_other_units_are_no_part(unit):
    assert part_unit(unit) is None


def take(number, **values):
    return TakeLog(f"t{number}", number, values)


def test_a_pair_as_logged_with_its_tolerance():
    parts = parts_of([Factor("hours", "hours", "numeric", "h"), R, C])
    found = low_cut_of(parts, [take(1, load=220.0, coupling=22.0)] * 2)
    assert (found.ohms, found.farads) == pytest.approx((220e3, 22e-9))
    assert found.share == pytest.approx(0.1)
    assert not found.assumed


def test_without_a_logged_tolerance_the_usual_one_is_said_to_be_assumed():
    parts = parts_of([R, Factor("coupling", "coupling", "numeric", "nF")])
    found = low_cut_of(parts, [take(1, load=220.0, coupling=22.0)])
    assert (found.share, found.assumed) == (0.1, True)


@pytest.mark.parametrize(
    "logs",
    [
        [{"load": 220.0}], [{"load": 220.0, "coupling": None}], [{"load": 220.0, "coupling": 0.0}],
        [{"load": 220.0, "coupling": 22.0}, {"load": 470.0, "coupling": 22.0}],
        [{"load": 220.0, "coupling": 22.0}, {"coupling": 22.0}], [],
    ],
)  # fmt: skip
def test_nothing_is_made_of_a_part_that_is_not_logged_or_not_the_same(logs):
    assert low_cut_of(parts_of([R, C]), [take(i, **log) for i, log in enumerate(logs)]) is None


def test_two_capacitances_do_not_say_which_counts():
    other = Factor("bypass", "bypass", "numeric", "µF")
    parts = parts_of([R, C, other])
    assert "“coupling” and “bypass”" in parts.problem
    assert low_cut_of(parts, [take(1, load=1.0, coupling=1.0, bypass=1.0)]) is None


def test_one_alone_is_no_pair_and_no_problem():
    assert parts_of([C]) == parts_of([])
