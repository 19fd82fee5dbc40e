"""The early look that an anytime plan allows."""

from dataclasses import dataclass

from panel.errors import NotAllowed
from panel.prose import ENGLISH
from panel.stages.conclude.vote_table import refuse_empty, study_in, tables_in
from panel.stages.listeners.links import locked_plan
from panel.store.session import Store
from panel.study import verdict as documents
from panel.study.plan import Contrast


@dataclass(frozen=True)
class Look:
    """One question of an anytime plan at this moment; every number is valid at every look.

    Undirected: `count` of `trials` across conditions were right. Directed: `count` votes went to
    `toward`, the later condition or the higher dose; None where they cannot be counted. `interval`
    is the confidence sequence of that share over listeners, None while too few are done. The
    permutation over takes is left out: it is made for the planned end only.
    """

    name: str
    procedure: str
    toward: str | None
    count: int | None
    trials: int
    chance: float
    e_value: float | None
    p_anytime: float | None
    interval: tuple[float, float] | None
    confidence: float


def interim(store: Store, study_id: int) -> list[Look]:
    """The questions of an anytime plan as they stand now.

    Raises NotAllowed for a plan with a fixed end: its outcomes stay sealed until then.
    """
    from panel.analysis.verdict import conclude

    with store.session() as s:
        study = study_in(s, study_id)
        plan = locked_plan(s, study)
        if not plan.anytime:
            raise NotAllowed(
                "This plan has a fixed end, so its outcomes stay sealed until voting has ended.",
                hint="Looking early would spoil the verdict; watch how many votes are in instead.",
            )
        seen = tables_in(s, study_id, plan)
    refuse_empty(seen)
    return [
        _look(plan.contrast(found.id), found, plan.confidence)
        for found in conclude(plan, *seen).contrasts
        if found.role == "question"
    ]


def _look(contrast: Contrast, found: documents.ContrastVerdict, confidence: float) -> Look:
    from panel.report.figures.outcome import later

    return Look(
        name=contrast.name,
        procedure=contrast.procedure,
        toward=later(ENGLISH, contrast) if contrast.directed else None,
        count=found.correct,
        trials=found.trials,
        chance=contrast.chance,
        e_value=found.numbers.e_value,
        p_anytime=found.numbers.p_anytime,
        interval=found.numbers.interval,
        confidence=confidence,
    )
