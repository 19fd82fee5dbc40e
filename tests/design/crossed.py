"""Invented takes crossed over two factors: adhesive × element."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from panel.design.plan import build
from panel.study.conditions import Condition
from panel.study.factors import Factor
from panel.study.plan import Contrast, PlanExcerpt, PlanTake

FACTORS = (Factor("adhesive", "adhesive"), Factor("element", "element"))
GLUES, ELEMENTS = ("hide glue", "epoxy"), ("ribbon", "coil")
EVEN = ((3, 3), (3, 3))
UNEVEN = ((4, 2), (2, 4))  # ribbon mostly with hide glue, coil mostly with epoxy


def takes(cells: Sequence[Sequence[int]] = EVEN) -> list[PlanTake]:
    """`cells[e][g]`: takes with element e and adhesive g, recorded in turn."""
    left = [(e, g) for k in range(9) for e, row in enumerate(cells) for g, n in enumerate(row)
            if k < n]  # fmt: skip
    return [
        PlanTake(
            f"t{i:02d}", f"{i:02d}", f"{i:064x}", i,
            {"adhesive": GLUES[g], "element": ELEMENTS[e]},
            specimen=f"{GLUES[g]}, {ELEMENTS[e]}", session="one",
        )
        for i, (e, g) in enumerate(left, 1)
    ]  # fmt: skip


def conditions(made: Sequence[PlanTake]) -> tuple[Condition, ...]:
    return tuple(
        Condition(glue, tuple(t.id for t in made if t.log["adhesive"] == glue)) for glue in GLUES
    )


def crossed(
    cells: Sequence[Sequence[int]] = EVEN,
    procedure: str = "abx",
    *,
    made: Sequence[PlanTake] | None = None,
    question: Mapping[str, Any] | None = None,
    **more: Any,
) -> dict[str, Any]:
    """A checked plan that asks about the adhesive given the element."""
    made = takes(cells) if made is None else made
    asked: dict[str, Any] = {
        "id": "q1", "name": "Stiffer adhesive", "role": "question", "procedure": procedure,
        "conditions": conditions(made), "votes_per_listener": 24, "given": ("element",),
        "attribute": "top end" if procedure == "attribute" else None,
    }  # fmt: skip
    plan = build(**{
        "title": "Larkfield adhesives", "question": "Does the stiffer adhesive matter?",
        "factors": FACTORS, "takes": made, "listeners": 20,
        "excerpts": [PlanExcerpt("e1", 1.5, 6.5), PlanExcerpt("e2", 8.0, 13.0)],
        "contrasts": [Contrast(**asked | dict(question or {}))],
        "schedule_seed": "00112233445566778899aabbccddeeff",
    } | more)  # fmt: skip
    return plan.document()
