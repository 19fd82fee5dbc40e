"""The duo-trio test (ISO 10399): which of two samples is the reference again?

The reference varies: either take may be it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

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
class DuoTrio(Procedure):
    def key(self, pair: Pair, beside: Sequence[str], randbelow: Randbelow) -> KeyedTrial:
        """Which take is the reference, in slot one, and which one repeats it, at random."""
        first, second = two_takes(pair, randbelow)
        right = 1 + randbelow(2)
        return KeyedTrial((first, *((first, second) if right == 1 else (second, first))), right)

    def misarranged(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        one, two, three = slots[:, 0], slots[:, 1], slots[:, 2]
        yield (
            (two == three) | ((one != two) & (one != three)),
            "does not have a reference and, after it, that take again and another",
        )

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags:
        """Of slots two and three, the one that repeats slot one."""
        out: Flags = SLOT_OF[answer] == 1 + (slots[:, 0] == slots[:, 2])
        return out

    def decide(self, heard: Sequence[float], lean: float = 0.0) -> int:
        """Whichever of the last two lies nearer to the first; `lean` favours the earlier."""
        one, two, three = heard
        return 1 if abs(two - one) - lean <= abs(three - one) else 2


PROCEDURE = DuoTrio(
    code="duo_trio",
    name=T_("Duo-trio"),
    chance=1 / 2,
    samples=3,
    instruction=N_(
        "Sample one is the reference, and one of the other two repeats it. "
        "Play them as often as you like, then say which of the two is the reference again."
    ),
    question=T_(N_("Which sample is the same as the reference?")),
    answers=("two", "three"),
    answer_texts=(N_("Two is the reference again"), N_("Three is the reference again")),
    names=(N_("One, the reference"), N_("Two"), N_("Three")),
    seconds=30,
    purpose="audibility",
    curve=curves.duotrio,
    reported_as=T_("duo-trio with a varying reference (ISO 10399)"),
    curve_source=T_("duo-trio: Ennis 1993, J. Sensory Studies 8, 353–370"),
    why=(
        "The same task and price as ABX ({own} votes at d′ = 1), with the sample that is repeated "
        "always in the first place and called the reference. Some find that easier to keep in mind."
    ),
    proposed=2,
    twin=True,
    earns=("heard", "not_heard"),
)
