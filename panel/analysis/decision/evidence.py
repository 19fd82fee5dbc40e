"""What the votes of one contrast say, before anything is claimed.

Question: votes on pairs across conditions are asked about; votes on pairs within a condition are
its retake control. Everything here is counts, p values and bounds; panel.analysis.decision.rule
turns them into a code.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution.permutation import Attribution
from panel.analysis.counts import called_different, exact, shares
from panel.analysis.decision import of_the_change
from panel.analysis.decision.against_chance import Tally, tally
from panel.analysis.decision.coded import Coded
from panel.analysis.decision.of_the_change import OfTheChange, Units
from panel.analysis.preference import divided
from panel.study.plan import Contrast, Plan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SWAPPED = 0.01  # chance of guessers to be called that


@dataclass(frozen=True)
class Evidence:
    """Everything the decision about one contrast rests on.

    `cast`, `planned`: votes on the contrast, pairs of both kinds, before any exclusion. Bounds
    respect listeners and are worked out when asked for; `rates` are those of a same–different
    contrast; `share_under` and `mean_within` answer
    whether a bound lies under a limit by one evaluation of what the bound inverts. `everybody`: the
    evidence of all who voted, where some were excluded: limits from those who pass alone would say
    too much, so “at least” is everybody's and “at most” the larger of the two.
    """

    contrast: Contrast
    asked: Tally
    within: Tally | None
    change: OfTheChange | None
    divided: divided.Divided | None
    cast: int
    planned: int
    coded: Coded | None
    confidence: float
    anytime: bool
    rates: called_different.Rates | None = None
    everybody: "Evidence | None" = None

    def beside(self, everybody: "Evidence") -> "Evidence":
        """The same with the evidence of all who voted; a check has theirs already."""
        return self if self.contrast.role == "planted_check" else replace(self, everybody=everybody)

    @property
    def attribution(self) -> Attribution | None:
        return self.change.attribution if self.change else None

    @property
    def planned_in(self) -> bool:
        return self.cast >= self.planned

    @property
    def _has_share(self) -> bool:
        """Directed votes have no share who hear, except on a check, whose direction is known."""
        contrast = self.contrast
        counts = not contrast.directed or contrast.role == "planted_check"
        return counts and self.asked.scores.size > 0 and not self.swapped

    @cached_property
    def swapped(self) -> bool:
        """Fewer right than guessing would ever give: answers were swapped, or a question misread.

        Whoever hears and answers the wrong way round lowers the share right: then no share who
        hear, and no limit on it, follows from these votes.
        """
        asked, contrast = self.asked, self.contrast
        if asked.count is None or (contrast.directed and contrast.role != "planted_check"):
            return False
        return exact.p_less(asked.count, asked.n, contrast.chance) < SWAPPED

    @property
    def _has_upper(self) -> bool:
        """A bound from above needs that whoever hears answers right."""
        return self._has_share and not self.contrast.never_not_heard

    @cached_property
    def interval(self) -> tuple[float, float] | None:
        """For the mean share over listeners."""
        scores = self.asked.scores
        if scores.size == 0:
            return None
        return shares.mean_interval(scores, self.confidence, anytime=self.anytime)

    @cached_property
    def share_estimate(self) -> float | None:
        if not self._has_upper:
            return None
        return shares.share_estimate(self.asked.scores, self.contrast.chance)

    @cached_property
    def share_upper(self) -> float | None:
        if not self._has_upper:
            return None
        own = shares.share_upper(
            self.asked.scores, self.contrast.chance, self.confidence, anytime=self.anytime
        )
        all_of_them = self.everybody.share_upper if self.everybody else own
        return None if all_of_them is None else max(own, all_of_them)

    @cached_property
    def share_lower(self) -> float | None:
        if self.everybody is not None:
            return self.everybody.share_lower
        if not self._has_share:
            return None
        return shares.share_lower(
            self.asked.scores, self.contrast.chance, self.confidence, anytime=self.anytime
        )

    def share_under(self, limit: float) -> bool:
        """Is `share_upper` under `limit`, 0 < limit < 1?"""
        claim = self.contrast.chance + (1 - self.contrast.chance) * limit
        return (
            self._has_upper
            and shares.mean_under(self.asked.scores, claim, self.confidence, anytime=self.anytime)
            and (self.everybody is None or self.everybody.share_under(limit))
        )

    def mean_within(self, low: float, high: float) -> bool:
        """Does `interval` lie inside (low, high)?"""
        scores, one_side = self.asked.scores, 1 - (1 - self.confidence) / 2
        return (
            scores.size > 0
            and shares.mean_under(scores, high, one_side, anytime=self.anytime)
            and shares.mean_under(1 - scores, 1 - low, one_side, anytime=self.anytime)
            and (self.everybody is None or self.everybody.mean_within(low, high))
        )

    def p_chance(self, plan: Plan) -> float:
        """The p value against chance that the plan's stopping rule allows."""
        return self.asked.p_anytime if plan.anytime else self.asked.p


def _complete(
    plan: Plan, contrast: Contrast, coded: Coded, finished: frozenset[str] | None
) -> NDArray[np.bool_]:
    """Listeners whose scores may be used: all at a planned end, finished ones at any look."""
    if not plan.anytime:
        return np.ones(len(coded.listeners), bool)
    if finished is not None:
        return np.array([code in finished for code in coded.listeners], bool)
    votes = np.bincount(coded.listener, minlength=len(coded.listeners))
    out: NDArray[np.bool_] = votes >= contrast.votes_per_listener
    return out


def _pair_streams(coded: Coded) -> Ints:
    return coded.first * len(coded.take_ids) + coded.second


def _condition_streams(coded: Coded) -> Ints:
    out: Ints = coded.labels[coded.first] * len(coded.take_ids) + coded.labels[coded.second]
    return out


def strata_codes(contrast: Contrast, coded: Coded) -> Ints | None:
    """(takes,) each take's stratum; None where nothing is given."""
    of = contrast.stratum_of
    return np.array([of[take] for take in coded.take_ids], np.int64) if of else None


def of_question(
    plan: Plan,
    contrast: Contrast,
    coded: Coded,
    last: Coded | None,
    cast: int,
    rng: np.random.Generator,
    *,
    planned: int | None = None,
    finished: frozenset[str] | None = None,
    decision_only: bool = False,
) -> Evidence:
    """Evidence of a question (or a free-standing control, or a planted check).

    `coded`: votes that count, in order. `last`: the votes that attribution may use (None: its time
    has not come). `cast`: votes before exclusion. `planned`, `finished`: votes planned, and who has
    cast all of theirs, where the plan does not say it of these votes. `decision_only`: a p value
    that cannot change the decision any more may be left at 1.
    """
    complete = _complete(plan, contrast, coded, finished)
    several = contrast.directed and not contrast.is_dose and len(contrast.conditions) > 2
    free_coins = contrast.directed and contrast.role == "retake_control"
    streams = None
    if several:
        streams = _condition_streams(coded)
    elif free_coins:
        streams = _pair_streams(coded)
    question = contrast.role == "question"
    use = coded.across if question else np.ones(coded.y.size, bool)
    settled = plan.alpha if decision_only else None
    looked_at = plan.anytime or not decision_only
    asked = tally(
        contrast,
        coded,
        use,
        complete,
        rng,
        streams=streams,
        settled_above=settled,
        looked_at=looked_at,
    )
    within = None
    if question and coded.at_hand is None and max(len(c.takes) for c in contrast.conditions) >= 2:
        within = tally(
            contrast,
            coded,
            ~coded.across,
            complete,
            rng,
            streams=_pair_streams(coded) if contrast.directed else None,
            settled_above=settled,
            looked_at=looked_at,
        )
    rates = None
    if coded.differ is not None and not decision_only:
        rates = called_different.rates(
            coded.y == coded.differ,  # right: called what it was
            coded.differ,
            coded.across | (not question),
            coded.listener,
            complete,
            plan.confidence,
            anytime=plan.anytime,
        )
    changed, split = None, None
    if question and last is not None and asked.n + asked.ties:
        changed = of_the_change.examine(
            contrast, plan.sampling[contrast.id], last, rng, settled_above=settled
        )
        if "divided" in contrast.asked_by.earns:
            units = Units.sampled(plan.sampling[contrast.id], last.take_ids, last.labels)
            chose = last.decided
            split = divided.examine(
                np.where(last.y, last.second, last.first)[chose],
                np.where(last.y, last.first, last.second)[chose],
                last.listener[chose],
                last.labels,
                rng,
                settled_above=settled,
                units=units.of,
                lot=units.draw,
            )
    return Evidence(
        contrast=contrast,
        asked=asked,
        within=within,
        change=changed,
        divided=split,
        cast=cast,
        planned=(plan.listeners * contrast.votes_per_listener if planned is None else planned),
        coded=coded,
        confidence=plan.confidence,
        anytime=plan.anytime,
        rates=rates,
    )


def of_derived_control(plan: Plan, control: Contrast, question: Evidence) -> Evidence:
    """Evidence of the retake control inside a question's round robin: its within pairs."""
    asked = question.within or Tally(
        0, None if control.directed else 0, 1.0, 1.0, 1.0, np.zeros(0), 0
    )
    return Evidence(
        contrast=control,
        asked=asked,
        within=None,
        change=None,
        divided=None,
        cast=question.cast,
        planned=question.planned,
        coded=None,
        confidence=plan.confidence,
        anytime=plan.anytime,
    )
