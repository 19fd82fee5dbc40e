"""Larkfield Pickups, a workshop that does not exist: what it recorded, and what is true of it.

Two people glue contact pickups for zithers and kalimbas. On the bench zither they ask three
things; on the bench kalimba a further study is open for whoever runs the demo. All is invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from panel.demo import synth
from panel.demo.listeners import BASS, OWN, TREBLE

# Distances in d′ for a listener of sensitivity 1, and the spread of re-recording.
ADHESIVE_DPRIME = 2.2
ELEMENT_DPRIME = 3.0
TAKE_SPREAD = 0.15

HOURS = (0.0, 10.0, 30.0, 100.0)


@dataclass(frozen=True)
class FactorPlan:
    """A column of the chain log."""

    name: str
    kind: str = "named"
    unit: str = ""
    tolerance: float = 0.0


FACTORS = (
    FactorPlan("adhesive"),
    FactorPlan("element"),
    FactorPlan("hours", "numeric", "h", 0.5),
    FactorPlan("instrument"),
    FactorPlan("place"),
    FactorPlan("played by"),
    FactorPlan("input"),
    FactorPlan("bench", "numeric", "°C", 2.0),
)


@dataclass(frozen=True)
class RecordedTake:
    """One take: its group (which condition it serves), of which pickup and when it is, chain log,
    chain and perceptual place."""

    group: str
    label: str
    specimen: str
    session: str
    order: int
    log: Mapping[str, str | float]
    chain: synth.Chain
    place: Mapping[str, float]


@dataclass(frozen=True)
class _Group:
    name: str
    takes: int
    adhesive: str = "hide glue"
    element: str = "standard"
    hours: float = 0.0
    shelf_db: float = 0.0
    low_corner_hz: float = synth.STANDARD_CORNER_HZ
    treble: float = 0.0
    bass: float = 0.0


_MONDAY = (
    _Group("baseline", 5),
    _Group("epoxy", 5, adhesive="epoxy", shelf_db=synth.ADHESIVE_DB, treble=ADHESIVE_DPRIME),
    _Group(
        "economy",
        5,
        element="economy",
        low_corner_hz=synth.ECONOMY_CORNER_HZ,
        bass=-ELEMENT_DPRIME,
    ),
)
_THURSDAY = tuple(_Group(f"{hours:g} h", 4, hours=hours) for hours in HOURS)
_SATURDAY = (
    _Group("kalimba hide glue", 4),
    _Group(
        "kalimba epoxy",
        4,
        adhesive="epoxy",
        shelf_db=synth.ADHESIVE_DB,
        treble=ADHESIVE_DPRIME,
    ),
)


def zither_takes(rng: np.random.Generator) -> list[RecordedTake]:
    """The takes of the three questions: two sessions, each in mixed order."""
    monday = _session(rng, _MONDAY, "Monday", "bench zither", 20.2, 1)
    thursday = _session(rng, _THURSDAY, "Thursday", "bench zither", 20.9, 1 + len(monday))
    return monday + thursday


def kalimba_takes(rng: np.random.Generator) -> list[RecordedTake]:
    """The takes of the study that is open."""
    return _session(rng, _SATURDAY, "Saturday", "bench kalimba", 20.5, 1)


def _session(
    rng: np.random.Generator,
    groups: tuple[_Group, ...],
    session: str,
    instrument: str,
    celsius: float,
    first: int,
) -> list[RecordedTake]:
    order = [group for group in groups for _ in range(group.takes)]
    order = [order[index] for index in rng.permutation(len(order))]

    takes = []
    for place, group in enumerate(order):
        celsius = float(np.clip(celsius + rng.normal(0.03, 0.08), 19.8, 21.6))
        takes.append(
            RecordedTake(
                group=group.name,
                label=f"{session} {place + 1:02d}",
                specimen=f"pickup {first + place}",
                session=session,
                order=first + place,
                log={
                    "adhesive": group.adhesive,
                    "element": group.element,
                    "hours": group.hours,
                    "instrument": instrument,
                    "place": "under the bridge",
                    "played by": "jig, card 3",
                    "input": "line 1",
                    "bench": round(celsius, 1),
                },
                chain=synth.varied(rng, shelf_db=group.shelf_db, low_corner_hz=group.low_corner_hz),
                place={
                    TREBLE: group.treble,
                    BASS: group.bass,
                    OWN: float(rng.normal(0.0, TAKE_SPREAD)),
                },
            )
        )
    return takes


@dataclass(frozen=True)
class Asked:
    """One question: conditions as (label, group of takes, dose), second one "more" if directed."""

    name: str
    procedure: str
    factor: str
    conditions: tuple[tuple[str, str, float | None], ...]
    votes_per_listener: int
    attribute: str | None = None
    axis: str | None = None
    scale: str | None = None


_ADHESIVE = (("hide glue", "baseline", None), ("epoxy", "epoxy", None))
ZITHER_QUESTIONS = (
    Asked("Stiffer adhesive", "abx", "adhesive", _ADHESIVE, 16),
    Asked("Adhesive, by liking", "preference", "adhesive", _ADHESIVE, 8),
    Asked(
        "Economy element",
        "attribute",
        "element",
        (("economy", "economy", None), ("standard", "baseline", None)),
        14,
        attribute="bass",
        axis=BASS,
    ),
    Asked(
        "Hours on the vibration table",
        "triangle",
        "hours",
        tuple((f"{hours:g} h", f"{hours:g} h", hours) for hours in HOURS),
        16,
        scale="log1p",
    ),
)
_KALIMBA_ADHESIVE = (
    ("hide glue", "kalimba hide glue", None),
    ("epoxy", "kalimba epoxy", None),
)
KALIMBA_QUESTIONS = (
    Asked("Stiffer adhesive on the kalimba", "abx", "adhesive", _KALIMBA_ADHESIVE, 10),
)

# The planted check: a plain treble boost that nobody who listens misses.
CHECK_PROCEDURE = "abx"
CHECK_KIND = "shelf"
CHECK_DB = 6.0
CHECK_PLACE = {TREBLE: 0.0, OWN: 8.0}
CHECK_VOTES = 4
CHECK_LEAST_RIGHT = 3

ZITHER_EXCERPTS = ((0.35, 3.65), (3.5, 7.2))
KALIMBA_EXCERPTS = ((0.35, 3.95), (4.0, 7.55))
