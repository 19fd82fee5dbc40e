"""The curve over a dose as the verdict carries it: points with a band, or the reason for none.

It decides nothing: the claim is the permutation of doses over takes. Only at a planned end, and
only where nothing but the dose differs: a curve over hours would else be one of other changes too.
"""

from typing import Any

import numpy as np

from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.judgement import Judgement
from panel.analysis.dose import curve
from panel.analysis.dose.curve import DoseCurve
from panel.analysis.sizes import LEAST_LISTENERS, LEAST_VOTES
from panel.errors import BadInput
from panel.study.plan import Contrast, Plan

STEPS = 24
DIGITS = 4  # more would hang on the machine that searched for the greatest likelihood


def numbers(plan: Plan, judged: Judgement) -> dict[str, Any] | None:
    """None where no dose is asked about; without a curve, its parts are None and `reason` says why.

    `slope`, `interval`: d′ ("dprime") or log odds ("log_odds") per unit of the declared scale, from
    the lowest dose to the highest in `over_range`. `points`: dose, share right (or choosing the
    higher dose, of votes that chose) of takes at that dose against the lowest, and the band's ends.
    """
    contrast = judged.contrast
    if not contrast.is_dose:
        return None
    out: dict[str, Any] = {
        "of": "log_odds" if contrast.directed else "dprime",
        "scale": contrast.scale,
        "confidence": plan.confidence,
        "slope": None,
        "interval": None,
        "over_range": None,
        "points": None,
        "reason": _no_curve(plan, judged),
    }
    if out["reason"] is not None:
        return out
    try:
        found = _fitted(contrast, judged.evidence, plan.confidence)
    except BadInput as refused:
        out["reason"] = str(refused)
        return out
    doses = np.array(sorted(float(c.dose or 0.0) for c in contrast.conditions))
    logarithmic = contrast.scale == "log1p"
    on_scale = np.log1p(doses) if logarithmic else doses
    even = np.linspace(on_scale[0], on_scale[-1], STEPS + 1)
    x = np.unique(np.concatenate([on_scale, even]))
    # The doses themselves as they were declared, not as they come back from the scale.
    at = [
        float(doses[np.argmin(np.abs(on_scale - place))])
        if np.min(np.abs(on_scale - place)) < 1e-12
        else _short(float(np.expm1(place)) if logarithmic else float(place))
        for place in x
    ]
    shares = found.share(x - on_scale[0])
    reach = float(on_scale[-1] - on_scale[0])
    out["slope"] = _short(found.slope)
    out["interval"] = [_short(edge) for edge in found.interval]
    out["over_range"] = [_short(reach * v) for v in (found.slope, *found.interval)]
    out["points"] = [
        [dose, *(round(float(column[i]), DIGITS) for column in shares)] for i, dose in enumerate(at)
    ]
    return out


def _no_curve(plan: Plan, judged: Judgement) -> str | None:
    contrast, e = judged.contrast, judged.evidence
    if plan.anytime:
        return (
            "The votes may be looked at at any time, and a curve with a band belongs to a number "
            "of votes that was fixed before."
        )
    if contrast.asked_by.curve is None or not contrast.asked_by.round_robin:
        return "This procedure gives no curve over a dose."
    if contrast.override_reason or contrast.unlogged or len(contrast.differs) > 1:
        return "More than the dose differs or may differ, so a curve over it would not be its own."
    if min(len(c.takes) for c in contrast.conditions) < 2:
        return "With one take of a dose nothing shows how far takes of it vary."
    if e.coded is None or e.asked.n < LEAST_VOTES:
        return f"There are fewer than {LEAST_VOTES} votes."
    if e.asked.listeners < LEAST_LISTENERS:
        return f"There are fewer than {LEAST_LISTENERS} listeners."
    if e.swapped:
        return "Fewer votes are right than guessing gives: answers may have been swapped."
    if not contrast.directed and e.asked.count == e.asked.n:
        return "Every vote was right, so the votes set no limit to the curve."
    return None


def _fitted(contrast: Contrast, e: Evidence, confidence: float) -> DoseCurve:
    coded = e.coded
    assert coded is not None
    doses = sorted(contrast.doses_on_scale)
    told_apart = contrast.asked_by.curve
    assert told_apart is not None
    if not contrast.directed:
        return curve.undirected(
            coded.table, coded.labels, doses, told_apart.name, confidence=confidence
        )
    other = np.where(coded.one == coded.first, coded.second, coded.first)
    chose_one = np.where(coded.y, coded.second, coded.first) == coded.one
    return curve.directed(
        coded.one,
        other,
        np.where(coded.decided, np.where(chose_one, 0, 1), 2),
        coded.listener,
        coded.labels,
        doses,
        confidence=confidence,
    )


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}") + 0.0
