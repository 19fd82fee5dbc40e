"""Same–different (after ASTM E2139): are two samples the same, each as often as not?

A listener calls a pair different when the two percepts lie further apart than a criterion τ, in
units of perceptual noise. With Φ the normal distribution (Macmillan & Creelman, *Detection
Theory*, the differencing model; from memory):

    called different, of two takes       H = Φ((d′ − τ)/√2) + Φ((−d′ − τ)/√2)
    called different, of one take twice  F = 2 Φ(−τ/√2)
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from panel.marked import N_, T_
from panel.procedures.base import (
    ANSWERS,
    EMPTY,
    SLOTS,
    Flags,
    Floats,
    Ints,
    KeyedTrial,
    Pair,
    Procedure,
    Randbelow,
    Simulated,
    two_takes,
)

CRITERION = 1.5  # of a simulated listener
SAME, DIFFERENT = ANSWERS.index("same"), ANSWERS.index("different")
_ROOT2 = math.sqrt(2.0)


def called_different(dprime: ArrayLike, tau: float) -> tuple[Floats, float]:
    """(H, F): the probabilities to call two takes, and one take twice, different; H of the shape of
    `dprime`."""
    d = np.asarray(dprime, float)
    hit: Floats = ndtr((d - tau) / _ROOT2) + ndtr((-d - tau) / _ROOT2)
    return hit, float(2 * ndtr(-tau / _ROOT2))


@dataclass(frozen=True)
class SameDifferent(Procedure):
    def key(self, pair: Pair, beside: Sequence[str], randbelow: Randbelow) -> KeyedTrial:
        """Whether they differ, and which take comes first or twice, at random.

        Of one take twice, slot three, which is not played, names the take it was paired with.
        """
        first, second = two_takes(pair, randbelow)
        if randbelow(2):
            return KeyedTrial((first, second), DIFFERENT)
        return KeyedTrial((first, first, second), SAME)

    def misplaced(self, slots: Ints) -> Iterator[tuple[Flags, str]]:
        one, two, three = slots[:, 0], slots[:, 1], slots[:, 2]
        twice = one == two
        for slot in range(self.samples + 1, SLOTS):
            yield slots[:, slot] != EMPTY, "has four samples, where this procedure has two"
        yield (
            twice & ((three == EMPTY) | (three == one)),
            "has one take twice and does not name the take it was paired with",
        )
        yield ~twice & (three != EMPTY), "has three samples, where this procedure has two"

    def differ(self, slots: Ints) -> Flags:
        out: Flags = slots[:, 0] != slots[:, 1]
        return out

    def right(self, slots: Ints, answer: Ints, side: Ints, *, known: bool) -> Flags:
        """Whether slots one and two hold one take."""
        out: Flags = answer == np.where(self.differ(slots), DIFFERENT, SAME)
        return out

    def decide(self, heard: Sequence[float], lean: float = 0.0) -> int:
        """Different where the two lie further apart than CRITERION."""
        return DIFFERENT if abs(heard[0] - heard[1]) > CRITERION else SAME

    def simulate(
        self,
        rng: np.random.Generator,
        apart: Floats,
        *,
        criterion: float,
        undecided: float | None,
    ) -> Simulated:
        u = rng.random(apart.shape)
        differ = rng.random(apart.shape) < 0.5
        hit, false_alarm = called_different(apart, criterion)
        return Simulated((u < np.where(differ, hit, false_alarm)) == differ, differ=differ)

    def share_right(self, dprime: float) -> float:
        """With as many pairs of each kind and the criterion that serves best."""
        from scipy.optimize import minimize_scalar

        def wrong(tau: float) -> float:
            hit, false_alarm = called_different(dprime, tau)
            return float(1 - (hit + 1 - false_alarm) / 2)

        best = minimize_scalar(wrong, bounds=(0.0, abs(dprime) + 8.0), method="bounded")
        return 1 - float(best.fun)


PROCEDURE = SameDifferent(
    code="same_different",
    name=T_("Same–different"),
    chance=1 / 2,
    samples=2,
    instruction=N_(
        "You will hear two samples, which are the same or different, each as often as not. "
        "Play them as often as you like, then say which it is."
    ),
    question=T_(N_("Are the two samples the same or different?")),
    answers=("same", "different"),
    answer_texts=(N_("They are the same"), N_("They are different")),
    names=(N_("One"), N_("Two")),
    seconds=20,
    purpose="audibility",
    curve=None,  # it takes the listener's criterion too
    reported_as=T_("same–different with pairs of both kinds (after ASTM E2139)"),
    curve_source="",
    why=(
        "The shortest task: two samples, the same or not. It is dear, about {own} votes at d′ = 1 "
        "at best, as each listener has their own idea of when to say “different”, and for the same "
        "reason “not heard” cannot be concluded. It tells how often one and the same take is "
        "called different."
    ),
    proposed=4,
    twin=True,
    by_group=T_("By group, the conditions were called rightly {counts}. {only}"),
    no_absence=T_(
        "Whoever hears a difference may still call the two the same, so “not heard” is not "
        "available from same–different."
    ),
    simulated_as=(
        "Two samples are called different when they seem further apart than {criterion}, in the "
        "units of d′."
    ),
    method=T_(
        "Same–different: each trial was a pair of two takes or one take twice, by a fair coin; "
        "the test against chance counts right answers of both kinds, attribution the share "
        "called different among pairs of two takes. Hit and false-alarm rates have intervals "
        "over listeners (Gaffke's bound, each at half the error); d′ and the criterion are "
        "those of the differencing model (Macmillan & Creelman, Detection Theory). “Not heard” "
        "is not claimed from it."
    ),
    claimed=(
        "Of same–different: “heard” only if the votes beat guessing and {relabelled}. “Not "
        "heard” never, as whoever hears a difference may still call the two the same."
    ),
)
