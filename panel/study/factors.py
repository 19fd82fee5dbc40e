"""Factors and chain logs: what is known about everything a take went through.

A value is a text (named factor), a number (numeric factor) or None: not logged, hence unknown.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from panel.errors import BadInput
from panel.prose import ENGLISH, Language
from panel.study.documents import Json

Value = str | float | None
CellState = Literal["same", "differs", "unlogged"]
NOT_LOGGED = "not logged"


@dataclass(frozen=True)
class Factor:
    """Something in the chain that can differ between takes.

    `kind` is "named" or "numeric"; `unit` and `tolerance` (in that unit: two values no further
    apart count as the same) belong to numeric factors.
    """

    id: str
    name: str
    kind: Literal["named", "numeric"] = "named"
    unit: str = ""
    tolerance: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in ("named", "numeric"):
            raise BadInput(
                f"Factor “{self.name}” is neither named nor numeric.", hint="Choose one of the two."
            )
        if not math.isfinite(self.tolerance) or self.tolerance < 0:
            raise BadInput(
                f"The tolerance of “{self.name}” must be zero or a positive number.",
                hint="It says how far two values may lie apart and still count as the same.",
            )

    def document(self) -> dict[str, Json]:
        return {
            "id": self.id,
            "name": self.name,
            "kind": self.kind,
            "unit": self.unit,
            "tolerance": self.tolerance,
        }


@dataclass(frozen=True)
class TakeLog:
    """The chain log of one take. `order` is its place in the order of recording, from 1.

    `specimen`: the very thing it is of; `session`: that in which it was recorded; "" if not logged.
    """

    take_id: str
    order: int
    values: Mapping[str, Value] = field(default_factory=dict)
    label: str = ""
    specimen: str = ""
    session: str = ""

    @property
    def name(self) -> str:
        return self.label or self.take_id


@dataclass(frozen=True)
class Difference:
    """Ids of the factors that differ between two takes, and of those unlogged on either."""

    differs: tuple[str, ...]
    unlogged: tuple[str, ...]


def read_value(factor: Factor, text: str) -> Value:
    """What somebody wrote in the grid, as a value; an empty cell is None (not logged).

    Raises BadInput when a numeric factor gets something that is no number.
    """
    text = " ".join(text.split())
    if not text:
        return None
    if factor.kind == "named":
        return text
    number = text.replace("−", "-")
    if factor.unit and number.endswith(factor.unit):
        number = number[: -len(factor.unit)].rstrip()
    # A single comma is a decimal comma, unless three digits follow it: then it may be either.
    if re.fullmatch(r"[+-]?\d+,\d+", number) and not re.search(r"[1-9]\d*,\d{3}$", number):
        number = number.replace(",", ".")
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        unit = f" in {factor.unit}" if factor.unit else ""
        raise BadInput(
            f"“{text}” is no number, and “{factor.name}” is logged as a number{unit}.",
            hint="Write it like 12 or 0.5, or leave the cell empty if it is not known.",
        )
    return value


def is_logged(value: Value) -> bool:
    return value is not None and not (isinstance(value, str) and not value.strip())


def same_value(factor: Factor, a: Value, b: Value) -> bool:
    """Whether two logged values count as the same.

    Names are compared without regard to case and spacing, numbers within the tolerance.
    Raises BadInput if a numeric factor holds a text.
    """
    if factor.kind == "named":
        return _plain(a) == _plain(b)
    slack = factor.tolerance + 1e-9 * max(1.0, abs(_number(factor, a)))
    return abs(_number(factor, a) - _number(factor, b)) <= slack


def differing(a: TakeLog, b: TakeLog, factors: Sequence[Factor]) -> Difference:
    """The factors in which two takes differ, and those that cannot be told."""
    differs, unlogged = [], []
    for factor in factors:
        left, right = a.values.get(factor.id), b.values.get(factor.id)
        if not (is_logged(left) and is_logged(right)):
            unlogged.append(factor.id)
        elif not same_value(factor, left, right):
            differs.append(factor.id)
    return Difference(tuple(differs), tuple(unlogged))


def value_text(factor: Factor, value: Value, say: Language = ENGLISH) -> str:
    """A value as people read it, with its unit; "not logged" for None."""
    if not is_logged(value):
        return say(NOT_LOGGED)
    if isinstance(value, str):
        return value
    number = f"{value:.10g}".replace("-", "−")
    return f"{number} {factor.unit}".strip()


def from_to(factor: Factor, a: Value, b: Value) -> str:
    """ "a → b", the unit told once."""
    left = value_text(factor, a)
    if factor.unit and is_logged(a) and left.endswith(f" {factor.unit}"):
        left = left[: -len(factor.unit) - 1]
    return f"{left} → {value_text(factor, b)}"


@dataclass(frozen=True)
class Cell:
    value: Value
    text: str
    state: CellState


@dataclass(frozen=True)
class GridRow:
    take_id: str
    label: str
    order: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Grid:
    """Takes by factors. `varies[j]` says whether column j holds more than one logged value."""

    factors: tuple[Factor, ...]
    rows: tuple[GridRow, ...]
    varies: tuple[bool, ...]


def grid(takes: Sequence[TakeLog], factors: Sequence[Factor], say: Language = ENGLISH) -> Grid:
    """The chain grid: each cell against the most frequent value of its column.

    With a tie the value that was recorded first counts as usual.
    """
    ordered = in_order_of_recording(takes)
    states: dict[tuple[str, str], CellState] = {}
    varies = []
    for factor in factors:
        groups = value_groups(factor, ordered)
        counts = Counter({index: len(members) for index, (_, members) in enumerate(groups)})
        usual = max(counts, key=lambda i: (counts[i], -i)) if counts else None
        varies.append(len(groups) > 1)
        for index, (_, members) in enumerate(groups):
            for take in members:
                states[take.take_id, factor.id] = "same" if index == usual else "differs"
    rows = tuple(
        GridRow(
            take.take_id,
            take.name,
            take.order,
            tuple(
                Cell(
                    take.values.get(factor.id),
                    value_text(factor, take.values.get(factor.id), say),
                    states.get((take.take_id, factor.id), "unlogged"),
                )
                for factor in factors
            ),
        )
        for take in ordered
    )
    return Grid(tuple(factors), rows, tuple(varies))


def value_groups(
    factor: Factor, takes: Sequence[TakeLog]
) -> list[tuple[Value, tuple[TakeLog, ...]]]:
    """Takes grouped by a factor's value, unlogged ones left out.

    Named values come in the order met, numeric ones ascending; a number joins a group while it
    lies within the tolerance of the group's first value, so that groups cannot creep.
    """
    logged = [take for take in takes if is_logged(take.values.get(factor.id))]
    if factor.kind == "numeric":
        logged.sort(key=lambda take: _number(factor, take.values.get(factor.id)))
    groups = grouped(
        logged, lambda a, b: same_value(factor, a.values.get(factor.id), b.values.get(factor.id))
    )
    return [(members[0].values.get(factor.id), tuple(members)) for members in groups]


def grouped(
    takes: Iterable[TakeLog], alike: Callable[[TakeLog, TakeLog], bool]
) -> list[list[TakeLog]]:
    """Takes in groups, each take in the first whose first take is `alike`, else in one of its
    own. Likeness is always to the first, so that groups cannot creep."""
    groups: list[list[TakeLog]] = []
    for take in takes:
        for members in groups:
            if alike(members[0], take):
                members.append(take)
                break
        else:
            groups.append([take])
    return groups


def in_order_of_recording(takes: Iterable[TakeLog]) -> list[TakeLog]:
    return sorted(takes, key=lambda take: (take.order, take.take_id))


def _plain(value: Value) -> str:
    if isinstance(value, int | float):
        return f"{value:.10g}"
    return " ".join((value or "").split()).casefold()


def _number(factor: Factor, value: Value) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BadInput(
            f"“{value}” is no number, and “{factor.name}” is logged as a number.",
            hint="Correct the chain log of that take, or make the factor a named one.",
        )
    return float(value)
