"""What the votes of one contrast say, before anything is claimed.

Question: votes on pairs across conditions are asked about; votes on pairs within a condition are
its retake control. Everything here is counts, p values and bounds; panel.analysis.decision turns
them into a code.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from panel.analysis import anytime, attribution, divided, exact, shares
from panel.analysis.attribution import Attribution, PairTable
from panel.analysis.plan_reading import Contrast, Plan
from panel.analysis.votes import Vote

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
COIN_DRAWS = 9_999


@dataclass(frozen=True)
class Coded:
    """Votes of one contrast as arrays (votes,), in the order they count.

    `first` < `second`: take indices, numbered condition by condition; `y`: right, or, directed,
    the vote was for `second` (across conditions: for the later, or higher, condition). `one`: the
    take in the first position.
    """

    take_ids: tuple[str, ...]
    labels: Ints
    first: Ints
    second: Ints
    one: Ints
    excerpt: Ints
    listener: Ints
    listeners: tuple[str, ...]
    y: NDArray[np.bool_]

    @cached_property
    def across(self) -> NDArray[np.bool_]:
        out: NDArray[np.bool_] = self.labels[self.first] != self.labels[self.second]
        return out

    @cached_property
    def table(self) -> PairTable:
        return PairTable.count(
            self.first.tolist(),
            self.second.tolist(),
            self.excerpt.tolist(),
            self.y.tolist(),
            len(self.take_ids),
        )


def code(contrast: Contrast, votes: Sequence[Vote]) -> Coded:
    """Turn the votes of a contrast into arrays; conditions of a dose are put in rising order."""
    conditions = list(contrast.conditions)
    if contrast.is_dose:
        conditions.sort(key=lambda c: c.dose or 0.0)
    take_ids = tuple(t for c in conditions for t in c.takes)
    index = {t: i for i, t in enumerate(take_ids)}
    labels = np.repeat(np.arange(len(conditions)), [len(c.takes) for c in conditions])
    listeners = tuple(sorted({v.listener for v in votes}))
    who = {c: i for i, c in enumerate(listeners)}
    excerpts = {e: i for i, e in enumerate(sorted({v.excerpt for v in votes}))}
    pairs = [sorted(index[t] for t in v.pair) for v in votes]
    first = np.array([p[0] for p in pairs], np.int64)
    second = np.array([p[1] for p in pairs], np.int64)
    if contrast.directed:
        y = np.array([index[v.chosen] == p[1] for v, p in zip(votes, pairs, strict=True)], bool)
    else:
        y = np.array([bool(v.correct) for v in votes], bool)
    return Coded(
        take_ids=take_ids,
        labels=labels.astype(np.int64),
        first=first,
        second=second,
        one=np.array([index[v.one] for v in votes], np.int64),
        excerpt=np.array([excerpts[v.excerpt] for v in votes], np.int64),
        listener=np.array([who[v.listener] for v in votes], np.int64),
        listeners=listeners,
        y=y,
    )


@dataclass(frozen=True)
class Tally:
    """Votes of one kind (across, or within) and what chance says to them.

    `count`: right answers, or votes for the higher condition; None where no answer can be counted
    (directed, within a condition; or more than two named conditions). `scores`: each listener's
    share, for bounds that respect listeners.
    """

    n: int
    count: int | None
    p: float
    e_value: float | None
    p_anytime: float
    scores: Floats
    listeners: int


def _coins_p(y: NDArray[np.bool_], streams: Ints, rng: np.random.Generator) -> float:
    """Do several coins (one a stream) stray further from fair than fair coins? Monte Carlo."""
    _, where = np.unique(streams, return_inverse=True)
    n = np.bincount(where)
    heads = np.bincount(where, weights=y.astype(float))
    observed = float(np.sum((heads - n / 2) ** 2 / n))
    drawn = rng.binomial(n, 0.5, size=(COIN_DRAWS, n.size))
    simulated = np.sum((drawn - n / 2) ** 2 / n, axis=1)
    reached = int(np.count_nonzero(simulated >= observed - 1e-9 * max(1.0, observed)))
    return (1 + reached) / (1 + COIN_DRAWS)


def _scores(y: NDArray[np.bool_], listener: Ints, complete: NDArray[np.bool_]) -> Floats:
    n = np.bincount(listener, minlength=complete.size).astype(float)
    right = np.bincount(listener, weights=y.astype(float), minlength=complete.size)
    use = (n > 0) & complete
    out: Floats = right[use] / n[use]
    return out


def tally(
    contrast: Contrast,
    coded: Coded,
    use: NDArray[np.bool_],
    complete: NDArray[np.bool_],
    rng: np.random.Generator,
    *,
    streams: Ints | None = None,
) -> Tally:
    """Count the votes selected by `use`; `streams` (votes,) where there are several fair coins."""
    y, listener = coded.y[use], coded.listener[use]
    n, k = int(y.size), int(y.sum())
    people = int(np.unique(listener).size)
    scores = _scores(y, listener, complete)
    if n == 0:
        return Tally(0, 0 if streams is None else None, 1.0, 1.0, 1.0, scores, 0)
    if streams is not None:
        e, p_any = anytime.p_anytime_of_several(y, streams[use])
        return Tally(n, None, _coins_p(y, streams[use], rng), e, p_any, scores[:0], people)
    if contrast.directed and not (
        contrast.role == "planted_check" and contrast.procedure == "attribute"
    ):
        return Tally(
            n,
            k,
            exact.p_two_sided(k, n),
            anytime.e_two_sided(k, n),
            anytime.p_anytime_two_sided(y.tolist()),
            scores,
            people,
        )
    g = contrast.chance
    return Tally(
        n,
        k,
        exact.p_greater(k, n, g),
        anytime.e_value(k, n, g),
        anytime.p_anytime(y.tolist(), g),
        scores,
        people,
    )


@dataclass(frozen=True)
class Evidence:
    """Everything the decision about one contrast rests on.

    `cast`, `planned`: votes on the contrast, pairs of both kinds, before any exclusion.
    """

    contrast: Contrast
    asked: Tally
    within: Tally | None
    attribution: Attribution | None
    divided: divided.Divided | None
    cast: int
    planned: int
    coded: Coded | None
    share_estimate: float | None
    share_upper: float | None
    share_lower: float | None
    interval: tuple[float, float] | None

    @property
    def planned_in(self) -> bool:
        return self.cast >= self.planned

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


def _bounded(plan: Plan, evidence: Evidence) -> Evidence:
    """Add the bounds that respect listeners."""
    contrast, scores = evidence.contrast, evidence.asked.scores
    if scores.size == 0:
        return evidence
    interval = shares.mean_interval(scores, plan.confidence, anytime=plan.anytime)
    if contrast.directed and contrast.role != "planted_check":
        return replace(evidence, interval=interval)
    g, sure = contrast.chance, plan.confidence
    return replace(
        evidence,
        interval=interval,
        share_estimate=exact.share((evidence.asked.count or 0) / evidence.asked.n, g),
        share_upper=shares.share_upper(scores, g, sure, anytime=plan.anytime),
        share_lower=shares.share_lower(scores, g, sure, anytime=plan.anytime),
    )


def _pair_streams(coded: Coded) -> Ints:
    return coded.first * len(coded.take_ids) + coded.second


def _condition_streams(coded: Coded) -> Ints:
    out: Ints = coded.labels[coded.first] * len(coded.take_ids) + coded.labels[coded.second]
    return out


def attribute_to_change(contrast: Contrast, coded: Coded, rng: np.random.Generator) -> Attribution:
    """The permutation test that belongs to the contrast."""
    if contrast.is_dose:
        doses = sorted(contrast.doses_on_scale)
        if contrast.directed:
            scores = attribution.take_scores(coded.table)
            return attribution.trend_directed(scores, coded.labels, doses, rng)
        return attribution.trend_undirected(coded.table, coded.labels, doses, rng)
    if contrast.directed:
        return attribution.directed(attribution.take_scores(coded.table), coded.labels, rng)
    return attribution.undirected(coded.table, coded.labels, rng)


def of_question(
    plan: Plan,
    contrast: Contrast,
    counted: Sequence[Vote],
    at_planned_end: Sequence[Vote] | None,
    cast: int,
    rng: np.random.Generator,
    *,
    planned: int | None = None,
    finished: frozenset[str] | None = None,
) -> Evidence:
    """Evidence of a question (or a free-standing control, or a planted check).

    `counted`: votes that count, in order. `at_planned_end`: the votes that attribution may use
    (None: its time has not come). `cast`: votes before exclusion. `planned`, `finished`: votes
    planned, and who has cast all of theirs, where the plan does not say it of these votes.
    """
    coded = code(contrast, counted)
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
    asked = tally(contrast, coded, use, complete, rng, streams=streams)
    within = None
    if question and max(len(c.takes) for c in contrast.conditions) >= 2:
        within = tally(
            contrast,
            coded,
            ~coded.across,
            complete,
            rng,
            streams=_pair_streams(coded) if contrast.directed else None,
        )
    attributed, split = None, None
    if question and at_planned_end is not None and asked.n:
        last = coded if list(at_planned_end) == list(counted) else code(contrast, at_planned_end)
        attributed = attribute_to_change(contrast, last, rng)
        if contrast.procedure == "preference" and len(contrast.conditions) == 2:
            split = divided.examine(
                np.where(last.y, last.second, last.first),
                np.where(last.y, last.first, last.second),
                last.listener,
                last.labels,
                rng,
            )
    return _bounded(
        plan,
        Evidence(
            contrast=contrast,
            asked=asked,
            within=within,
            attribution=attributed,
            divided=split,
            cast=cast,
            planned=(plan.listeners * contrast.votes_per_listener if planned is None else planned),
            coded=coded,
            share_estimate=None,
            share_upper=None,
            share_lower=None,
            interval=None,
        ),
    )


def of_derived_control(plan: Plan, control: Contrast, question: Evidence) -> Evidence:
    """Evidence of the retake control inside a question's round robin: its within pairs."""
    asked = question.within or Tally(
        0, None if control.directed else 0, 1.0, 1.0, 1.0, np.zeros(0), 0
    )
    return _bounded(
        plan,
        Evidence(
            contrast=control,
            asked=asked,
            within=None,
            attribution=None,
            divided=None,
            cast=question.cast,
            planned=question.planned,
            coded=None,
            share_estimate=None,
            share_upper=None,
            share_lower=None,
            interval=None,
        ),
    )
