"""A small study of our own (all data invented): hide glue against epoxy, five takes each."""

from __future__ import annotations

from typing import Any

import pytest

from panel.design.plan import build
from panel.study.conditions import Condition
from panel.study.factors import Factor
from panel.study.plan import Contrast, Plan, PlanExcerpt, PlanTake, Planted

FACTORS = (
    Factor("adhesive", "adhesive"),
    Factor("hours", "hours of vibration", "numeric", "h", 0.5),
    Factor("bench", "bench temperature", "numeric", "°C", 1.0),
)


def plan_take(number: int, adhesive: str = "hide glue", hours: float = 0.0) -> PlanTake:
    return PlanTake(
        f"t{number:02d}",
        f"take {number}",
        f"{number:064x}",
        number,
        {"adhesive": adhesive, "hours": hours, "bench": 19.0},
        specimen=f"the one of {adhesive}",
        session="one",
    )


def study(**changes: Any) -> dict[str, Any]:
    """Keyword arguments for `build`: two questions, a dose question, a planted check."""
    glue = [plan_take(n, "hide glue" if n in (1, 4, 5, 8, 9) else "epoxy") for n in range(1, 11)]
    doses = {11: 0.0, 12: 10.0, 13: 0.0, 14: 10.0, 15: 30.0, 16: 30.0}
    hours = [plan_take(n, hours=h) for n, h in doses.items()]
    return {
        "title": "Larkfield adhesives",
        "question": "Does the stiffer adhesive sound different?",
        "factors": FACTORS,
        "takes": [*glue, *hours],
        "excerpts": [PlanExcerpt("e1", 1.5, 6.5), PlanExcerpt("e2", 8.0, 13.0)],
        "contrasts": [
            Contrast(
                "q1",
                "Stiffer adhesive",
                "question",
                "abx",
                (
                    Condition("hide glue", ("t01", "t04", "t05", "t08", "t09")),
                    Condition("epoxy", ("t02", "t03", "t06", "t07", "t10")),
                ),
                16,
            ),
            Contrast(
                "q2",
                "Hours of vibration",
                "question",
                "attribute",
                (
                    Condition("0 h", ("t11", "t13"), 0.0),
                    Condition("10 h", ("t12", "t14"), 10.0),
                    Condition("30 h", ("t15", "t16"), 30.0),
                ),
                6,
                attribute="top end",
                scale="log1p",
            ),
            Contrast(
                "check",
                "Planted check",
                "planted_check",
                "abx",
                (Condition("unchanged", ("t01",)), Condition("planted", ("t01+check",))),
                4,
                planted=Planted("shelf", 6.0),
            ),
        ],
        "listeners": 40,
        "planted_least_right": 3,
        "schedule_seed": "00112233445566778899aabbccddeeff",
        **changes,
    }


@pytest.fixture
def plan() -> Plan:
    return build(**study())


@pytest.fixture
def document(plan: Plan) -> dict[str, Any]:
    """The plan's document, to be damaged."""
    return plan.document()
