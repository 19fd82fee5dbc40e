"""The tetrad: of four samples, two and two the same, which one goes with sample one?

The unspecified tetrad: nothing is said of what sets the two pairs apart (Ennis, Ennis, Yip &
O'Mahony 1998, BJMSP 51, 205–215; Ennis & Jesionka 2011, J. Sensory Studies 26, 371–382).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from panel.marked import N_, T_
from panel.procedures import curves
from panel.procedures.base import (
    ANSWERS,
    SLOT_OF,
    Flags,
    Ints,
    KeyedTrial,
    Pair,
    Procedure,
    Randbelow,
    two_takes,
)

WITH_ONE = ("two", "three", "four")


@dataclass(frozen=True)
class Tetrad(Procedure):
    def key(self, pair: Pair, beside: Sequence[str], randbelow: Randbelow) -> KeyedTrial:
        """Which take stands in slot one, and where it stands again, at random."""
        first, other = two_takes(pair, randbelow)
        again = 1 + randbelow(3)
        slots = tuple(first if slot in (0, again) else other for slot in range(4))
        return KeyedTrial(slots, ANSWERS.index(WITH_ONE[again - 1]))

    def misarranged(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        ordered = np.sort(slots, axis=1)
        low, high = ordered[:, :2], ordered[:, 2:]
        two_and_two = (low[:, 0] == low[:, 1]) & (high[:, 0] == high[:, 1])
        yield (
            ~two_and_two | (low[:, 0] == high[:, 0]),
            "does not have two takes, each of them twice",
        )

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags:
        """The one that repeats slot one."""
        out: Flags = SLOT_OF[answer] == 1 + np.argmax(slots[:, 1:] == slots[:, :1], axis=1)
        return out

    def decide(self, heard: Sequence[float], lean: float = 0.0) -> int:
        """The two lower and the two higher go together; `lean` favours sample two."""
        one, *rest = heard
        apart = []
        for partner, level in enumerate(rest):
            left = [other for place, other in enumerate(rest) if place != partner]
            apart.append(abs(one - level) + abs(left[0] - left[1]))
        apart[0] -= lean
        return ANSWERS.index(WITH_ONE[int(np.argmin(apart))])


PROCEDURE = Tetrad(
    code="tetrad",
    name=T_("Tetrad"),
    chance=1 / 3,
    samples=4,
    instruction=N_(
        "Of the four samples two are the same, and the other two are the same as each other. "
        "Play them as often as you like, then say which one goes with sample one."
    ),
    question=T_(N_("Which one goes with sample one?")),
    answers=WITH_ONE,
    answer_texts=(N_("Two goes with one"), N_("Three goes with one"), N_("Four goes with one")),
    names=(N_("One"), N_("Two"), N_("Three"), N_("Four")),
    seconds=40,
    purpose="audibility",
    curve=curves.tetrad,
    reported_as=T_("tetrad (unspecified)"),
    curve_source=T_("tetrad: Ennis, Ennis, Yip & O'Mahony 1998, BJMSP 51, 205–215"),
    why=(
        "It asks for bare audibility with far fewer votes than ABX ({own} against {abx} at "
        "d′ = 1), and “not heard” can follow. The price is a fourth sample to hold in mind."
    ),
    proposed=1,
    twin=True,
    earns=("heard", "not_heard"),
)
