"""2-AFC with a reminder: both conditions at hand under neutral names, then two fresh takes.

Takes are dealt by condition here, so no relabelling of takes is exact: the claim about the change
takes takes as its units (panel.analysis.attribution.dealt_by_condition).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from panel.errors import BadInput
from panel.marked import N_, T_
from panel.procedures import curves
from panel.procedures.base import (
    SLOTS,
    Flags,
    Ints,
    KeyedTrial,
    Pair,
    Procedure,
    Randbelow,
    two_takes,
)


@dataclass(frozen=True)
class Reminder(Procedure):
    def pairs(
        self, sides: Sequence[Sequence[str]], pools: Sequence[Sequence[str]]
    ) -> tuple[Pair, ...]:
        """Every take of the one side with every one of the other."""
        return tuple(sorted((min(a, b), max(a, b)) for a in sides[0] for b in sides[1]))

    def beside(
        self, pair: Pair, sides: Sequence[Sequence[str]], below: Randbelow
    ) -> tuple[str, ...]:
        """Another take of the condition of each of the pair."""
        found = []
        for take in pair:
            side = next(takes for takes in sides if take in takes)
            others = sorted(other for other in side if other != take)
            found.append(others[below(len(others))])
        return tuple(found)

    def key(self, pair: Pair, beside: Sequence[str], randbelow: Randbelow) -> KeyedTrial:
        """Order of the fresh ones at random, then the reminders.

        The first take of the pair is of the kind that is asked for, and so is the first reminder.
        """
        first, second = two_takes(pair, randbelow)
        if len({*pair, *beside}) != SLOTS:
            raise BadInput("A trial with a reminder needs four different takes.")
        return KeyedTrial((first, second, *beside), int(first != pair[0]))

    def misplaced(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        ordered = np.sort(slots, axis=1)
        yield (
            (ordered[:, 0] < 0) | (ordered[:, 1:] == ordered[:, :-1]).any(axis=1),
            "does not have two fresh takes and two others as reminders",
        )

    def pair(self, slots: Ints) -> Ints:
        return super().pair(slots[:, :2])

    def at_hand(self, slots: Ints) -> Ints:
        return slots[:, 2:]

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags:
        """The fresh take of the first reminder's condition."""
        out: Flags = side[self.chosen(slots, answer)] == side[slots[:, 2]]
        return out

    def decide(self, heard: Sequence[float], lean: float = 0.0) -> int:
        """The larger of the fresh ones where the first reminder is larger, else the smaller."""
        one, two, asked, other = heard
        return 0 if (one + lean >= two) == (asked >= other) else 1


PROCEDURE = Reminder(
    code="reminder",
    name=T_("2-AFC with a reminder"),
    chance=1 / 2,
    samples=4,
    instruction=N_(
        "Kite and Lamp are two kinds of sound: listen to both until you know them. "
        "Of the fresh samples one and two, one is a Kite and the other a Lamp: say which."
    ),
    question=T_(N_("Which of samples one and two is the Kite?")),
    answers=("one", "two"),
    answer_texts=(N_("One is the Kite, two the Lamp"), N_("Two is the Kite, one the Lamp")),
    names=(N_("One"), N_("Two"), N_("Kite"), N_("Lamp")),
    seconds=30,
    purpose="audibility",
    curve=curves.twoafc,
    reported_as=T_("two-alternative forced choice with a reminder"),
    curve_source=T_("forced choice of two: Φ(d′/√2)"),
    why=(
        "It needs no word for the difference and is as cheap as a named attribute, about {own} "
        "votes at d′ = 1: both conditions stay at hand under neutral names, and two fresh takes "
        "are matched to them. It pays with takes dealt by condition: to speak of the change it "
        "needs four takes of each, and “not heard” cannot be concluded."
    ),
    proposed=3,
    found=T_(
        "told which was which in {right} of {trials} blind comparisons with both conditions at "
        "hand, where guessing gives about {guess}"
    ),
    few_takes=T_(
        "Nothing is claimed about what was changed: with a reminder takes go by condition, and "
        "it needs four takes of each to tell the change from the takes."
    ),
    no_absence=T_(
        "Takes scatter, and only what outdoes that can be matched to a reminder, so “not "
        "heard” is not available from it."
    ),
    method=T_(
        "With a reminder, two fresh takes, one of each condition, were matched to two others "
        "under neutral names, drawn once for each listener. Takes went by condition; "
        "attribution there: jackknife over takes (Efron & Stein 1981, Ann. Statist. 9, "
        "586–596) with Student's t on the smaller number of takes less one, shown by "
        "simulation to keep its level with four takes of each, and not exact. “Not heard” is "
        "not claimed from it."
    ),
    claimed=(
        "With a reminder takes go by condition, so relabelling them is no test: “heard” only "
        "if the votes beat guessing and a share above one half holds over takes, each left "
        "out in turn, which needs four takes of each condition; with fewer it can only be "
        "shown that these recordings differ. “Not heard” never."
    ),
)
