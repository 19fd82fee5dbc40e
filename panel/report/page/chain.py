"""What differed: the chain log of each question by condition, and of every take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from panel.prose import listed
from panel.study.factors import Factor, Grid, TakeLog, grid, is_logged, value_groups, value_text
from panel.study.plan import Contrast, Plan


@dataclass(frozen=True)
class ChainCell:
    text: str
    state: str  # "same", "differs" or "unlogged"


@dataclass(frozen=True)
class ChainRow:
    factor: str
    cells: tuple[ChainCell, ...]


@dataclass(frozen=True)
class Chain:
    """Factors by conditions of one question, with sentences on what else is to be known."""

    conditions: tuple[str, ...]
    takes: tuple[str, ...]
    rows: tuple[ChainRow, ...]
    sentences: tuple[str, ...]


def chain_of(plan: Plan, contrast: Contrast) -> Chain:
    """The chain of a question: what differs between its conditions stands out."""
    takes = {take.take_id: take for take in plan.logs}
    factors = plan.factors
    sides = [[takes[t] for t in c.takes if t in takes] for c in contrast.conditions]
    rows = []
    for factor in factors:
        differs = factor.id in contrast.differs
        cells = tuple(_cell(factor, side, differs) for side in sides)
        rows.append(ChainRow(factor.name, cells))
    names = {factor.id: factor.name for factor in factors}
    sentences = []
    differs_in = [names.get(f, f) for f in contrast.differs]
    if len(differs_in) == 1:
        given = listed([names.get(f, f) for f in contrast.given])
        among = f" among takes alike in {given}, which alone were compared" if given else ""
        sentences.append(
            f"The conditions differ in {differs_in[0]} only{among}, as far as is logged."
        )
    elif differs_in:
        sentences.append(
            f"The conditions differ in {listed(differs_in)}: the outcome cannot be attributed to "
            "one change."
        )
    if contrast.override_reason:
        sentences.append(
            f"They were compared all the same, with this reason: “{contrast.override_reason}”."
        )
    if contrast.unlogged:
        unknown = listed([names.get(f, f) for f in contrast.unlogged])
        sentences.append(f"Not logged on every take, hence unknown: {unknown}.")
    sentences.append(
        "Samples were matched in loudness."
        if contrast.level == "matched"
        else "Samples were played as loud as they were recorded: level is part of what was heard."
    )
    return Chain(
        tuple(c.label for c in contrast.conditions),
        tuple(str(len(side)) for side in sides),
        tuple(rows),
        tuple(sentences),
    )


def full_grid(plan: Plan) -> Grid:
    """Every take with its whole log, in order of recording."""
    return grid(plan.logs, plan.factors)


def _cell(factor: Factor, side: Sequence[TakeLog], differs: bool) -> ChainCell:
    groups = value_groups(factor, side)
    texts = [value_text(factor, value) for value, _ in groups]
    unlogged = sum(not is_logged(take.values.get(factor.id)) for take in side)
    if unlogged:
        texts.append("not logged" if unlogged == len(side) else f"not logged on {unlogged}")
    state = "differs" if differs else "unlogged" if unlogged else "same"
    return ChainCell(", ".join(texts), state)
