"""ABX: of two samples, which one does a third repeat?

Right answers follow the differencing listener's curve (Macmillan & Creelman, *Detection Theory*).
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
class Abx(Procedure):
    def key(self, pair: Pair, beside: Sequence[str], randbelow: Randbelow) -> KeyedTrial:
        """Order of the two at random; slot three repeats one of them at random."""
        first, second = two_takes(pair, randbelow)
        right = randbelow(2)
        return KeyedTrial((first, second, (first, second)[right]), right)

    def misarranged(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        one, two, three = slots[:, 0], slots[:, 1], slots[:, 2]
        yield (
            (one == two) | ((three != one) & (three != two)),
            "does not have two different takes and one of them again",
        )

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags:
        """Of slots one and two, the one that slot three repeats."""
        out: Flags = SLOT_OF[answer] == (slots[:, 1] == slots[:, 2])
        return out

    def decide(self, heard: Sequence[float], lean: float = 0.0) -> int:
        """Whichever of the first two lies nearer to the third."""
        one, two, three = heard
        return 0 if abs(three - one) - lean <= abs(three - two) else 1


PROCEDURE = Abx(
    code="abx",
    name=T_("ABX"),
    chance=1 / 2,
    samples=3,
    instruction=N_(
        "Samples one and two differ, and sample three repeats one of them. "
        "Play them as often as you like, then say which of the two it repeats."
    ),
    question=T_(N_("Which one is sample three the same as?")),
    answers=("one", "two"),
    answer_texts=(N_("Three is the same as one"), N_("Three is the same as two")),
    names=(N_("One"), N_("Two"), N_("Three")),
    seconds=30,
    purpose="audibility",
    curve=curves.abx,
    reported_as=T_("ABX"),
    curve_source=T_("ABX by differencing: Macmillan & Creelman, Detection Theory"),
    why=(
        "It asks for bare audibility, needs no word for the difference, and is the way to "
        "“not heard”. It costs about {times} times the votes of a directed question (d′ = 1)."
    ),
    twin=True,
    earns=("heard", "not_heard"),
)
