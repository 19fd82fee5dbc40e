"""Invented chain logs of takes: adhesive, bench temperature and room."""

from __future__ import annotations

from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog

FACTORS = [
    Factor("adhesive", "adhesive"),
    Factor("bench", "bench temperature", "numeric", "°C", 1.0),
    Factor("room", "room"),
]


def take(number, adhesive="hide glue", bench=19.0, room="shop", order=None):
    values = {"adhesive": adhesive, "bench": bench, "room": room}
    return TakeLog(f"t{number:02d}", order or number, values)


def sides(*groups):
    return [Condition(f"side {i + 1}", tuple(f"t{n:02d}" for n in g)) for i, g in enumerate(groups)]


def four_a_side(order="abbabaab"):
    return [take(i + 1, "hide glue" if which == "a" else "epoxy") for i, which in enumerate(order)]
