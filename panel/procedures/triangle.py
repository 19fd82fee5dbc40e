"""The triangle test (ISO 4120): two samples of three are the same; which one is different?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from panel.marked import N_, T_
from panel.procedures import curves
from panel.procedures.base import (
    SLOT_OF,
    Flags,
    Ints,
    KeyedTrial,
    Pair,
    Procedure,
    Randbelow,
    two_takes,
)


@dataclass(frozen=True)
class Triangle(Procedure):
    def key(self, pair: Pair, beside: Sequence[str], randbelow: Randbelow) -> KeyedTrial:
        """Which take is the odd one, and where it stands, at random."""
        odd, twice = two_takes(pair, randbelow)
        right = randbelow(3)
        return KeyedTrial(tuple(odd if slot == right else twice for slot in range(3)), right)

    def misarranged(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        one, two, three = slots[:, 0], slots[:, 1], slots[:, 2]
        alike = (one == two).astype(int) + (one == three) + (two == three)
        yield alike != 1, "does not have one odd sample among three"

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags:
        """The one that has no twin."""
        one, two, three = slots[:, 0], slots[:, 1], slots[:, 2]
        odd = np.where(one == two, 2, np.where(one == three, 1, 0))
        out: Flags = SLOT_OF[answer] == odd
        return out

    def decide(self, heard: Sequence[float], lean: float = 0.0) -> int:
        """The one left over by the nearest pair."""
        one, two, three = heard
        apart = [abs(two - three) - lean, abs(one - three), abs(one - two)]
        return int(np.argmin(apart))


PROCEDURE = Triangle(
    code="triangle",
    name=T_("Triangle"),
    chance=1 / 3,
    samples=3,
    instruction=N_(
        "Two of the three samples are the same, and one is different. "
        "Play them as often as you like, then say which is the different one."
    ),
    question=T_(N_("Which sample is different from the other two?")),
    answers=("one", "two", "three"),
    answer_texts=(N_("One is different"), N_("Two is different"), N_("Three is different")),
    names=(N_("One"), N_("Two"), N_("Three")),
    seconds=30,
    purpose="audibility",
    curve=curves.triangle,
    reported_as=T_("triangle (ISO 4120)"),
    curve_source=T_("triangle: Ennis 1993, J. Sensory Studies 8, 353–370"),
    why=(
        "It too asks for bare audibility, with somewhat fewer votes than ABX "
        "({own} against {abx} at d′ = 1) and a harder task: three samples to hold in mind."
    ),
    proposed=1,
    twin=True,
    earns=("heard", "not_heard"),
)
