"""Three or more named conditions in order, with the pairs that are shown to be apart.

Only at a planned end, and only for directed questions. An order inside a question shares alpha
with the other questions of the plan (Bonferroni), and no pair is told apart unless the question's
own claim holds.
"""

import math
from itertools import combinations

import numpy as np

from panel.analysis.decision.judgement import Judgement
from panel.analysis.preference import listener_worths, ranking, worths
from panel.errors import BadInput
from panel.study.plan import Plan
from panel.study.verdict import CLAIMED, Likings, RankedPair, Ranking


def in_order(plan: Plan, judged: Judgement) -> Ranking | None:
    """Order, scores and pairs by the conditions' labels; None where no order is asked for."""
    contrast, coded = judged.contrast, judged.evidence.coded
    several = contrast.directed and not contrast.is_dose and len(contrast.conditions) > 2
    if not several or plan.anytime or coded is None or coded.y.size == 0:
        return None
    if contrast.given or len(contrast.conditions) > ranking.MOST_CONDITIONS:
        return None
    place = [c.id for c in plan.contrasts].index(contrast.id)
    alpha = plan.alpha / max(1, len(plan.questions))
    found = ranking.rank(
        coded.first,
        coded.second,
        coded.value,
        coded.one,
        coded.listener,
        coded.labels,
        np.random.default_rng([int(plan.sha256, 16), place, 1]),
        alpha=alpha,
    )
    label = [c.label for c in contrast.conditions]
    claimed, log_worths = judged.code in CLAIMED, found.log_worths
    return Ranking(
        order=tuple(label[c] for c in found.order),
        scores=tuple(float(found.scores[c]) for c in found.order),
        intervals=tuple(found.score_intervals[c] for c in found.order),
        log_worths=(
            None if log_worths is None else tuple(float(log_worths[c]) for c in found.order)
        ),
        alpha=alpha,
        least_p=found.least_p,
        listeners=_likings(plan, judged) if contrast.liking else None,
        pairs=tuple(
            _pair(label, pair, _over_people(judged, pair), alpha, claimed=claimed)
            for pair in found.pairs
        ),
    )


def _over_people(judged: Judgement, pair: ranking.PairOrder) -> float:
    """p of two conditions over listeners, and over both at once, at the price of all such pairs."""
    change = judged.evidence.change
    if change is None or not change.people:
        return 1.0
    pairs = list(combinations(range(len(judged.contrast.conditions)), 2))
    one = change.people[pairs.index((min(pair.lower, pair.higher), max(pair.lower, pair.higher)))]
    return min(1.0, len(pairs) * max(one.p_listeners, one.over_both.p))


def _pair(
    label: list[str], pair: ranking.PairOrder, over_people: float, alpha: float, *, claimed: bool
) -> RankedPair:
    return RankedPair(
        higher=label[pair.higher],
        lower=label[pair.lower],
        difference=pair.difference,
        interval=pair.interval,
        log_worth=pair.log_worth,
        log_worth_interval=pair.log_worth_interval,
        p=max(pair.p_adjusted, over_people),
        apart=claimed and pair.apart and over_people <= alpha,
    )


def _likings(plan: Plan, judged: Judgement) -> Likings | None:
    """How much listeners differ in what they like; None where the votes do not say."""
    coded = judged.evidence.coded
    assert coded is not None
    try:
        found = listener_worths.fit(
            *worths.as_presented(coded.first, coded.second, coded.value, coded.one),
            coded.listener,
            coded.labels,
            confidence=plan.confidence,
        )
    except BadInput:
        return None
    low, high = found.interval
    return Likings(
        found.sd,
        (low, None if math.isinf(high) else high),
        found.own_favourite,
        found.own_favourite_interval,
    )
