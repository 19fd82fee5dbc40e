"""What procedures share in which each vote points to one of two takes, and none is right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from panel.procedures.base import (
    Flags,
    Ints,
    KeyedTrial,
    Pair,
    Procedure,
    Randbelow,
    two_takes,
)


@dataclass(frozen=True)
class Pointing(Procedure):
    directed: bool = True

    def key(self, pair: Pair, beside: Sequence[str], randbelow: Randbelow) -> KeyedTrial:
        """Order at random; nothing is right by itself."""
        return KeyedTrial(two_takes(pair, randbelow), None)

    def misarranged(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        yield slots[:, 0] == slots[:, 1], "compares a take with itself"

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags | None:
        return None

    def decide(self, heard: Sequence[float], lean: float = 0.0) -> int:
        """The larger one."""
        return 0 if heard[0] + lean >= heard[1] else 1
