"""Paired preference: which of two samples would you rather listen to?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from panel.marked import N_, T_
from panel.procedures import curves
from panel.procedures.base import Floats, Simulated
from panel.procedures.pointing import Pointing


@dataclass(frozen=True)
class Preference(Pointing):
    def as_asked(self, *, ties: bool) -> Preference:
        """With or without “neither”."""
        if not ties:
            return self
        return replace(
            self,
            instruction=N_(
                "You will hear two samples and say which you would rather listen to. "
                "There is no right answer, and if you like both equally, say so."
            ),
            answers=(*self.answers, "neither"),
            answer_texts=(*self.answer_texts, N_("Neither: I like both equally")),
        )

    def instructs(self, *, first_of_kind: bool) -> bool:
        """Always: that a guess will do is no part of it."""
        return True

    @property
    def possible(self) -> tuple[str, ...]:
        return (*self.answers[:2], "neither")

    def simulate(
        self,
        rng: np.random.Generator,
        apart: Floats,
        *,
        criterion: float,
        undecided: float | None,
    ) -> Simulated:
        if undecided is None:
            return super().simulate(rng, apart, criterion=criterion, undecided=None)
        u = rng.random(apart.shape)
        for_second, not_first = (
            curves.twoafc.probability(apart + way * undecided) for way in (-1, 1)
        )
        return Simulated(u < for_second, tied=(u >= for_second) & (u < not_first))


PROCEDURE = Preference(
    code="preference",
    name=T_("Paired preference"),
    chance=1 / 2,
    samples=2,
    instruction=N_(
        "You will hear two samples and say which you would rather listen to. "
        "There is no right answer, and if you like both equally, choose either."
    ),
    question=T_(N_("Which sample would you rather listen to?")),
    answers=("one", "two"),
    answer_texts=(N_("I prefer sample one"), N_("I prefer sample two")),
    names=(N_("One"), N_("Two")),
    seconds=20,
    purpose="liking",
    curve=curves.twoafc,
    reported_as=T_("paired preference"),
    curve_source=T_("forced choice of two: Φ(d′/√2)"),
    why=(
        "It asks what matters in the end, and is as cheap as a named attribute while listeners "
        "agree. Where they disagree in direction it shows a divided panel and no mean, and “not "
        "heard” cannot be concluded from it."
    ),
    earns=("preferred", "divided", "no_preference"),
    options=("ties", "reasons", "attributes"),
    found=T_(
        "{side} was preferred in {votes} of {trials} blind comparisons, where a coin gives about "
        "{coin}"
    ),
    by_group=T_("By group, “{label}” was preferred {counts}. {only}"),
    counted=T_("for “{side}”"),
    share_of=T_("share of votes that prefer the higher one"),
    share_of_take=T_("share of its votes that it was preferred in"),
    toward=T_("preferred {side}"),
    how_many=T_("How many people?"),
    no_people=T_("This kind of question does not tell: it counts votes, not people."),
    no_claim=T_("Neither that one is preferred nor that none is."),
    no_claim_of_change=T_("That the change is what is preferred."),
    undecided=T_("Not enough yet. {found}{share}."),
    method_of_order=T_(
        "How far listeners differ in their likings: log worths with a normal liking of each "
        "listener for each condition, fitted by Laplace's approximation to the restricted "
        "likelihood (Patterson & Thompson 1971, Biometrika 58, 545–554), its interval from "
        "the likelihood ratio."
    ),
    simulated_as=(
        "Where “no preference” is allowed, it is said of two samples that seem less than "
        "{undecided} apart, in the units of d′."
    ),
    method=T_(
        "“Divided”: dispersion of listeners' shares, summed over each two conditions, against "
        "votes dealt out at random (multivariate hypergeometric), and against relabelled "
        "takes; both must pass. “No "
        "preference”: the interval for the mean share within 1/2 ± half the limit. Worths: "
        "Bradley & Terry 1952, Biometrika 39, 324–345, with an effect of position."
    ),
    claimed=(
        "Of preference: “preferred” {leaning}. “Divided” only if listeners differ among "
        "themselves more than chance and the takes explain. “Not heard” never."
    ),
)
