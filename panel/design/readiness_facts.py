"""What the list of checks in panel.design.readiness is made from."""

from __future__ import annotations

from dataclasses import dataclass

from panel.design.guard.scope_words import Reach


@dataclass(frozen=True)
class TakeFacts:
    """What is known of one take. clipped is None, and noise too, while no clip is prepared.

    lufs: loudness as recorded, None where it is silent. noise: whether what is left between it and
    the first take is mostly noise; None for the first take itself.
    """

    name: str
    order: int
    lossy: bool = False
    clipped: bool | None = None
    noise: bool | None = None
    lufs: float | None = -23.0


@dataclass(frozen=True)
class SideFacts:
    """One condition of a question."""

    label: str
    takes: tuple[TakeFacts, ...]


@dataclass(frozen=True)
class QuestionFacts:
    """A question with its conditions; `dose` where they are steps of one quantity.

    `reach`: how far a claim about it can reach. `strata`: given another factor, the conditions in
    each stratum; `directed` goes with it, and `order_warning`, the guard's on the order in them.
    """

    name: str
    sides: tuple[SideFacts, ...]
    reach: Reach
    dose: bool = False
    strata: tuple[tuple[SideFacts, ...], ...] = ()
    directed: bool = False
    order_warning: str = ""

    @property
    def cells(self) -> tuple[tuple[int, ...], ...]:
        """Takes of each condition (columns) in each stratum (rows)."""
        return tuple(tuple(len(side.takes) for side in sides) for sides in self.strata)


@dataclass(frozen=True)
class LoggedFacts:
    """A factor of the chain log: its name, and the takes for which it is not logged."""

    name: str
    unlogged: tuple[str, ...] = ()


@dataclass(frozen=True)
class ExcerptFacts:
    name: str
    seconds: float


@dataclass(frozen=True)
class Facts:
    """All that the list is made from. asked: whether the questions are kept as contrasts, or only
    what the log would bear; prepared: whether the clips are there and fresh."""

    questions: tuple[QuestionFacts, ...]
    factors: tuple[LoggedFacts, ...]
    excerpts: tuple[ExcerptFacts, ...]
    asked: bool = True
    prepared: bool = True
    alpha: float = 0.05
