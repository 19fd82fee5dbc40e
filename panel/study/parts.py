"""Resistances and capacitances in the chain log, by the unit of their factor.

A maker logs a part as a numeric factor whose unit is one of the trade: pF, nF, µF, Ω, kΩ, MΩ. From
one of each follows the corner of the low cut they form.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from panel.prose import quoted
from panel.study.factors import Factor, TakeLog, is_logged, same_value

Kind = Literal["resistance", "capacitance"]

USUAL_SHARE = 0.1
"""Tolerance of a part where none is logged: the code letter K, 10 %, of IEC 60062."""

_OHM = {"ohm", "ohms", "\N{GREEK CAPITAL LETTER OMEGA}", "\N{OHM SIGN}"}
_FARAD = {"f", "farad", "farads"}
_PREFIXES = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "\N{MICRO SIGN}": 1e-6, "\N{GREEK SMALL LETTER MU}": 1e-6,
    "m": 1e-3, "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip


def part_unit(unit: str) -> tuple[Kind, float] | None:
    """What a unit measures, and its size in ohms or farads; None where it is neither."""
    text = unit.replace(" ", "")
    kinds: tuple[tuple[Kind, set[str]], ...] = (("resistance", _OHM), ("capacitance", _FARAD))
    for kind, names in kinds:
        for name in names:
            prefix = text[: len(text) - len(name)]
            if text[len(prefix) :].casefold() == name.casefold() and prefix in _PREFIXES:
                return kind, _PREFIXES[prefix]
    return None


@dataclass(frozen=True)
class LowCut:
    """R and C of one condition, in ohms and farads, and by how much they may be off together.

    share: the tolerances of both added, as shares of their values; assumed: none was logged, and
    it is the usual one.
    """

    resistance: str
    capacitance: str
    ohms: float
    farads: float
    share: float
    assumed: bool


@dataclass(frozen=True)
class Parts:
    """The factors that hold a resistance and a capacitance; `problem` says why there is no pair."""

    resistance: Factor | None
    capacitance: Factor | None
    problem: str


def parts_of(factors: Sequence[Factor]) -> Parts:
    """One resistance and one capacitance; several of either do not say which belong together."""
    found: dict[str, list[Factor]] = {"resistance": [], "capacitance": []}
    for factor in factors:
        unit = part_unit(factor.unit) if factor.kind == "numeric" else None
        if unit is not None:
            found[unit[0]].append(factor)
    for kind, there in found.items():
        if len(there) > 1:
            names = quoted(factor.name for factor in there)
            return Parts(
                None,
                None,
                f"The log has more than one {kind} ({names}), so which of them forms a low cut is "
                "not known.",
            )
    if not (found["resistance"] and found["capacitance"]):
        return Parts(None, None, "")
    return Parts(found["resistance"][0], found["capacitance"][0], "")


def low_cut_of(parts: Parts, takes: Sequence[TakeLog]) -> LowCut | None:
    """The pair as logged for the takes of one condition; None unless all have the same of each."""
    if parts.resistance is None or parts.capacitance is None or not takes:
        return None
    ohms, farads = (_value(f, takes) for f in (parts.resistance, parts.capacitance))
    if ohms is None or farads is None:
        return None
    share = sum(
        factor.tolerance * _size(factor) / value
        for factor, value in ((parts.resistance, ohms), (parts.capacitance, farads))
    )
    return LowCut(
        parts.resistance.name,
        parts.capacitance.name,
        ohms,
        farads,
        min(share, 0.9) or USUAL_SHARE,
        not share,
    )


def _size(factor: Factor) -> float:
    unit = part_unit(factor.unit)
    return unit[1] if unit else 1.0


def _value(factor: Factor, takes: Sequence[TakeLog]) -> float | None:
    """In ohms or farads; the first take's, where all have the same within the tolerance."""
    first = takes[0].values.get(factor.id)
    if not isinstance(first, int | float) or first <= 0:
        return None
    if not all(
        is_logged(take.values.get(factor.id)) and same_value(factor, first, take.values[factor.id])
        for take in takes
    ):
        return None
    return float(first) * _size(factor)
