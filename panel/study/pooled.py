"""What a table of votes says without its plan, as typed values: facts, and no verdict."""

from __future__ import annotations

from dataclasses import dataclass

from panel.study.documents import Json
from panel.study.shapes import written
from panel.study.verdict import OpenSpan, Reliability, Remark, Span

FORMAT = "fair-hearing-pooled/1"


@dataclass(frozen=True)
class PooledNumbers:
    """As `verdict.Numbers`; `pair_sd` is the spread of pairs of takes, in d′. `attribution` is
    always None: it needs the plan."""

    chance: float
    share: float | None
    interval: Span | None
    p_chance: float
    e_value: float | None
    p_anytime: float
    listeners: int
    excerpts: int
    share_estimate: float | None
    share_lower: float | None
    share_upper: float | None
    dprime: float | None
    dprime_of: str | None
    dprime_interval: OpenSpan | None
    listener_sd: float | None
    pair_sd: float | None
    excerpt_sd: float | None
    model_message: Remark
    attribution: float | None


@dataclass(frozen=True)
class PooledContrast:
    """One contrast. `correct` of `trials`: right answers, or votes for the second of the `sides`,
    of which there are none where answers are right or wrong, or cannot be counted."""

    id: str
    procedure: str
    notes: tuple[Remark, ...]
    correct: int | None
    trials: int
    takes: int
    numbers: PooledNumbers
    sides: tuple[str, ...]


@dataclass(frozen=True)
class Pooled:
    """What the votes of a table say by themselves."""

    votes: int
    listeners: int
    contrasts: tuple[PooledContrast, ...]
    reliability: tuple[Reliability, ...]
    limits: tuple[Remark, ...]

    def document(self) -> dict[str, Json]:
        """As plain JSON."""
        entries = written(self)
        assert isinstance(entries, dict)
        return {"format": FORMAT, "verdict": None, **entries}
