"""A whole set of conditions in order: the numbers of the verdict and a sentence for them.

Only at a planned end, and only for directed questions of three or more named conditions. An order
inside a question shares alpha with the other questions of the plan (Bonferroni), and no pair is
told apart unless the question's own claim holds.
"""

import math
from typing import Any

import numpy as np

from panel.analysis.decision.judgement import Judgement
from panel.analysis.preference import listener_worths, ranking
from panel.analysis.preference import worths as preference
from panel.analysis.wording.phrases import percent
from panel.errors import BadInput
from panel.prose import listed
from panel.study.plan import Plan

CLAIMED = ("heard", "preferred")


def numbers(plan: Plan, judged: Judgement) -> dict[str, Any] | None:
    """Order, scores and pairs by the conditions' labels; None where no order is asked for."""
    contrast, coded = judged.contrast, judged.evidence.coded
    several = contrast.directed and not contrast.is_dose and len(contrast.conditions) > 2
    if not several or plan.anytime or coded is None or coded.y.size == 0:
        return None
    if len(contrast.conditions) > ranking.MOST_CONDITIONS:
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
    claimed = judged.code in CLAIMED
    worths = found.log_worths
    return {
        "order": [label[c] for c in found.order],
        "scores": [float(found.scores[c]) for c in found.order],
        "intervals": [found.score_intervals[c] for c in found.order],
        "log_worths": None if worths is None else [float(worths[c]) for c in found.order],
        "alpha": alpha,
        "least_p": found.least_p,
        "listeners": _likings(plan, judged) if contrast.procedure == "preference" else None,
        "pairs": [
            {
                "higher": label[p.higher],
                "lower": label[p.lower],
                "difference": p.difference,
                "interval": p.interval,
                "log_worth": p.log_worth,
                "log_worth_interval": p.log_worth_interval,
                "p": p.p_adjusted,
                "apart": claimed and p.apart,
            }
            for p in found.pairs
        ],
    }


def _likings(plan: Plan, judged: Judgement) -> dict[str, Any] | None:
    """How much listeners differ in what they like; None where the votes do not say."""
    coded = judged.evidence.coded
    assert coded is not None
    try:
        found = listener_worths.fit(
            *preference.as_presented(coded.first, coded.second, coded.value, coded.one),
            coded.listener,
            coded.labels,
            confidence=plan.confidence,
        )
    except BadInput:
        return None
    low, high = found.interval
    return {
        "sd_log_worth": found.sd,
        "interval": [low, None if math.isinf(high) else high],
        "own_favourite": found.own_favourite,
        "own_favourite_interval": list(found.own_favourite_interval),
    }


def reasons(told: dict[str, Any]) -> list[str]:
    """What may be said of how much listeners differ in their likings."""
    likings = told["listeners"]
    if likings is None:
        return []
    low, high = likings["own_favourite_interval"]
    return [
        "Of two conditions that the panel as a whole likes equally, a listener like these chooses "
        f"his or her own favourite in about {percent(likings['own_favourite'])} of comparisons "
        f"({percent(low, down=True)} to {percent(high, up=True)}; 50% if all like alike)."
    ]


def sentence(told: dict[str, Any], attribute: str | None) -> str:
    """The order in plain words: what each was chosen, who is ahead of whom, what stays open."""
    places = [
        f"“{label}” {percent(score)}"
        for label, score in zip(told["order"], told["scores"], strict=True)
    ]
    what = f"for more {attribute}" if attribute else "over all"
    ahead = [f"“{p['higher']}” ahead of “{p['lower']}”" for p in told["pairs"] if p["apart"]]
    open_ = sum(not p["apart"] for p in told["pairs"])
    text = f"Share of comparisons won {what}: {listed(places)}."
    if not ahead:
        return f"{text} No order among them is shown."
    rest = ""
    if open_:
        rest = f" The order of the other {'pair' if open_ == 1 else f'{open_} pairs'} stays open."
    return f"{text} Shown: {listed(ahead)}.{rest}"
