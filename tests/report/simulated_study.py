"""A study of our own with known truth (all data invented), voted on by simulated listeners.

Adhesive is heard by most, the economy element by some, hours of vibration by nobody; the top end
is a directed question, and the last one divides the panel.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from vote_records import ListenerRow, Vote, as_tables

from panel.design.plan import build
from panel.design.schedule import draw_key, listener_trials
from panel.procedures.base import POSITIONS
from panel.procedures.catalogue import PROCEDURES
from panel.study.conditions import Condition
from panel.study.factors import Factor
from panel.study.measurement import Band, Measurement
from panel.study.plan import Contrast, PlanExcerpt, PlanTake, Planted
from panel.study.plan_reading import read_plan

FACTORS = (
    Factor("adhesive", "adhesive"),
    Factor("element", "element"),
    Factor("hours", "hours of vibration", "numeric", "h", 0.5),
    Factor("bench", "bench temperature", "numeric", "°C", 2.0),
    Factor("room", "room"),
)
STATES = {  # condition: (adhesive, element, hours), and the place on the perceptual scale
    "hide glue": (("hide glue", "E2", 0.0), 0.0),
    "epoxy": (("epoxy", "E2", 0.0), 1.6),
    "economy": (("hide glue", "E1", 0.0), 0.9),
    "0 h": (("hide glue", "E2", 0.0), 0.0),
    "10 h": (("hide glue", "E2", 10.0), 0.0),
    "30 h": (("hide glue", "E2", 30.0), 0.0),
    "100 h": (("hide glue", "E2", 100.0), 0.0),
}
SIZES = {
    "hide glue": 5, "epoxy": 5, "economy": 5, "0 h": 4, "10 h": 4, "30 h": 4, "100 h": 4,
}  # fmt: skip


def plan(listeners: int = 40, stop: str = "fixed", title: str = "Larkfield Pickups: adhesive, "
         "element and hours") -> dict[str, Any]:  # fmt: skip
    rng = np.random.default_rng(1)
    labels = [state for state, size in SIZES.items() for _ in range(size)]
    order = rng.permutation(len(labels)) + 1
    takes, of = [], {state: [] for state in STATES}
    for index, (state, place) in enumerate(zip(labels, order, strict=True)):
        key = f"t{index + 1:02d}"
        of[state].append(key)
        adhesive, element, hours = STATES[state][0]
        log = {"adhesive": adhesive, "element": element, "hours": hours,
               "bench": 19.0 + index % 2, "room": "shop"}  # fmt: skip
        takes.append(
            PlanTake(
                key,
                f"{state} {len(of[state])}",
                f"{index:064x}",
                int(place),
                log,
                specimen=f"the one of {adhesive}, {element}",
                session="one",
            )
        )

    def sides(*states: str, dose: bool = False) -> tuple[Condition, ...]:
        return tuple(
            Condition(state, tuple(of[state]), STATES[state][0][2] if dose else None)
            for state in states
        )

    check = of["hide glue"][0]
    made = build(
        title=title,
        question="Does the stiffer adhesive sound different?",
        factors=FACTORS,
        takes=takes,
        excerpts=[PlanExcerpt("e1", 1.5, 6.5), PlanExcerpt("e2", 8.0, 13.0)],
        contrasts=[
            Contrast("q1", "Stiffer adhesive", "question", "abx",
                         sides("hide glue", "epoxy"), 16),
            Contrast("q2", "Hours on the vibration table", "question", "triangle",
                         sides("0 h", "10 h", "30 h", "100 h", dose=True), 12, scale="log1p"),
            Contrast("q3", "Economy element", "question", "attribute",
                         sides("hide glue", "economy"), 8, attribute="body"),
            Contrast("q4", "Liked better", "question", "preference",
                         sides("hide glue", "epoxy"), 8),
            Contrast("check", "Planted check", "planted_check", "abx",
                         (Condition("unchanged", (check,)),
                          Condition("planted", (f"{check}+check",))),
                         4, planted=Planted("shelf", 6.0)),
        ],
        listeners=listeners,
        stop=stop,
        planted_least_right=2,
        schedule_seed="0123456789abcdef0123456789abcdef",
    )  # fmt: skip
    return made.document()


def votes(document: dict[str, Any], listeners: int, seed: int = 7):
    """Votes and listener rows of that many simulated listeners."""
    rng = np.random.default_rng(seed)
    read, spots = read_plan(document), {}
    for contrast in document["contrasts"]:
        for condition in contrast.get("conditions") or ():
            place = STATES.get(condition["label"], (None, 0.0))[1]
            for take in condition["takes"]:
                spots.setdefault(take, place + 0.15 * rng.standard_normal())
            if condition["label"] == "planted":
                for take in condition["takes"]:
                    spots[take] = spots[take.partition("+")[0]] + 4.0
    table, rows = [], []
    for ordinal in range(listeners):
        code = f"L{rng.integers(10**6):06d}"
        keen, taste = np.exp(0.4 * rng.standard_normal()), rng.choice([-1, 1])
        for number, trial in enumerate(listener_trials(read, ordinal), start=1):
            keyed = draw_key(trial.procedure, (trial.take_a, trial.take_b),
                             lambda n: int(rng.integers(n)))  # fmt: skip
            kind = PROCEDURES[trial.procedure]
            if kind.directed:
                apart = keen * (spots[keyed.slots[1]] - spots[keyed.slots[0]])
                apart *= taste if trial.procedure == "preference" else 1
                answer = int(rng.random() < kind.curve.probability(apart))
                correct = None
            else:
                apart = keen * (spots[trial.take_a] - spots[trial.take_b])
                correct = bool(rng.random() < kind.curve.probability(apart))
                wrong = [a for a in range(len(kind.answers)) if a != keyed.right]
                answer = keyed.right if correct else int(rng.choice(wrong))
            table.append(
                Vote(len(table) + 1, code, number, trial.contrast, trial.procedure, trial.excerpt,
                     keyed.slots[0], keyed.slots[1],
                     keyed.slots[2] if len(keyed.slots) > 2 else None,
                     POSITIONS[answer], correct, int(rng.integers(2, 9)),
                     int(rng.integers(5, 60)), ordinal * 12 // max(1, listeners))
            )  # fmt: skip
        rows.append(
            ListenerRow(code, True, ("passed", "failed", "not taken")[ordinal % 7 // 3],
                        "headphones", 48000, len(listener_trials(read, ordinal)))
        )  # fmt: skip
    return table, rows


def measured() -> dict[str, Measurement]:
    """Measured differences in the shape that the preparation step hands over."""
    hz = [100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150,
          4000, 5000, 6300, 8000, 10000, 12500, 16000]  # fmt: skip
    shelf = [1.2 / (1 + (3000 / f) ** 2) for f in hz]
    beside_retakes = tuple(
        Band(f, d, -0.2 - 0.02 * i / 23, 0.25)
        for i, (f, d) in enumerate(zip(hz, shelf, strict=True))
    )
    alone = tuple(Band(f, -2.0 / (1 + (f / 120) ** 2)) for f in hz)
    return {
        "q1": Measurement(
            "q1", "Adhesive", "hide glue", "epoxy", bands=beside_retakes, gain_db=0.31,
            residual_db=(-24.2, -24.2, -24.2),
        ),
        "q3": Measurement(
            "q3", "Element", "hide glue", "economy", bands=alone, warnings=("Take 3 is short.",)
        ),
    }  # fmt: skip


@lru_cache(maxsize=4)
def concluded(listeners: int = 40, stop: str = "fixed"):
    """(plan, votes, listener rows, verdict) of the whole simulated study."""
    from panel.analysis.verdict import conclude

    document = plan(listeners, stop)
    table, rows = votes(document, listeners)
    read = read_plan(document)
    return read, table, rows, conclude(read, *as_tables(table, rows))
