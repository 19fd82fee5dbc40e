"""What differed: the chain log of each question by condition, and of every take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from panel.analysis.wording.phrases import factor_names
from panel.prose import Language
from panel.study.factors import (
    NOT_LOGGED,
    Factor,
    Grid,
    TakeLog,
    grid,
    is_logged,
    value_groups,
    value_text,
)
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


def chain_of(say: Language, plan: Plan, contrast: Contrast) -> Chain:
    """The chain of a question: what differs between its conditions stands out."""
    takes = {take.take_id: take for take in plan.logs}
    factors = plan.factors
    sides = [[takes[t] for t in c.takes if t in takes] for c in contrast.conditions]
    rows = []
    for factor in factors:
        differs = factor.id in contrast.differs
        cells = tuple(_cell(say, factor, side, differs) for side in sides)
        rows.append(ChainRow(factor.name, cells))
    return Chain(
        tuple(c.label for c in contrast.conditions),
        tuple(str(len(side)) for side in sides),
        tuple(rows),
        tuple(_sentences(say, plan, contrast)),
    )


def _sentences(say: Language, plan: Plan, contrast: Contrast) -> list[str]:
    """What differs, why it was asked all the same, what is unknown, and how loud it was played."""
    out = _differing(say, plan, contrast)
    if contrast.override_reason:
        out.append(
            say(
                "They were compared all the same, with this reason: “{reason}”.",
                reason=contrast.override_reason,
            )
        )
    if contrast.unlogged:
        unknown = factor_names(say, plan, contrast.unlogged)
        out.append(say("Not logged on every take, hence unknown: {unknown}.", unknown=unknown))
    level = (
        "Samples were matched in loudness."
        if contrast.level == "matched"
        else "Samples were played as loud as they were recorded: level is part of what was heard."
    )
    return [*out, say(level)]


def _differing(say: Language, plan: Plan, contrast: Contrast) -> list[str]:
    """In what the conditions differ; nothing where that is not known."""
    if not contrast.differs:
        return []
    if len(contrast.differs) > 1:
        text = "The conditions differ in {names}: the outcome cannot be attributed to one change."
    elif contrast.given:
        text = (
            "The conditions differ in {names} only among takes alike in {given}, which alone were "
            "compared, as far as is logged."
        )
    else:
        text = "The conditions differ in {names} only, as far as is logged."
    names, given = (factor_names(say, plan, ids) for ids in (contrast.differs, contrast.given))
    return [say(text, names=names, given=given)]


def full_grid(say: Language, plan: Plan) -> Grid:
    """Every take with its whole log, in order of recording."""
    return grid(plan.logs, plan.factors, say)


def _cell(say: Language, factor: Factor, side: Sequence[TakeLog], differs: bool) -> ChainCell:
    groups = value_groups(factor, side)
    texts = [value_text(factor, value, say) for value, _ in groups]
    unlogged = sum(not is_logged(take.values.get(factor.id)) for take in side)
    if unlogged == len(side) > 0:
        texts.append(say(NOT_LOGGED))
    elif unlogged:
        texts.append(say("not logged on {takes}", takes=unlogged))
    state = "differs" if differs else "unlogged" if unlogged else "same"
    return ChainCell(", ".join(texts), state)
