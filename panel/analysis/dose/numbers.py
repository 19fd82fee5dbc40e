"""The curve over a dose as the verdict carries it: points with a band, or the reason for none.

It decides nothing: the claim is the permutation of doses over takes. Only at a planned end, and
only where nothing but the dose differs: a curve over hours would else be one of other changes too.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.judgement import Judgement
from panel.analysis.dose import curve
from panel.analysis.dose.curve import DoseCurve
from panel.analysis.refusals import Refused
from panel.analysis.sizes import LEAST_LISTENERS, LEAST_VOTES
from panel.study.plan import Contrast, Plan
from panel.study.verdict import DoseResponse, Remark

STEPS = 24
Floats = NDArray[np.float64]
DIGITS = 4  # more would hang on the machine that searched for the greatest likelihood


def numbers(plan: Plan, judged: Judgement) -> DoseResponse | None:
    """None where no dose is asked about; without a curve its parts are None and `reason` is why."""
    contrast = judged.contrast
    if not contrast.is_dose or contrast.scale is None:
        return None
    empty = DoseResponse(
        of="log_odds" if contrast.directed else "dprime",
        scale=contrast.scale,
        confidence=plan.confidence,
        slope=None,
        interval=None,
        over_range=None,
        points=None,
        reason=_no_curve(plan, judged),
    )
    if empty.reason is not None:
        return empty
    try:
        found = _fitted(contrast, judged.evidence, plan.confidence)
    except Refused as refused:
        return replace(empty, reason=Remark("refused", parts=(refused.remark,)))
    doses = np.array(sorted(float(c.dose or 0.0) for c in contrast.conditions))
    on_scale = np.log1p(doses) if contrast.scale == "log1p" else doses
    reach = float(on_scale[-1] - on_scale[0])
    low, high = found.interval
    return replace(
        empty,
        slope=_short(found.slope),
        interval=(_short(low), _short(high)),
        over_range=(_short(reach * found.slope), _short(reach * low), _short(reach * high)),
        points=_points(found, doses, on_scale, logarithmic=contrast.scale == "log1p"),
    )


def _points(
    found: DoseCurve, doses: Floats, on_scale: Floats, *, logarithmic: bool
) -> tuple[tuple[float, float, float, float], ...]:
    """The curve at the doses and at even steps of the scale between them."""
    even = np.linspace(on_scale[0], on_scale[-1], STEPS + 1)
    x = np.unique(np.concatenate([on_scale, even]))
    # The doses themselves as they were declared, not as they come back from the scale.
    at = [
        float(doses[np.argmin(np.abs(on_scale - place))])
        if np.min(np.abs(on_scale - place)) < 1e-12
        else _short(float(np.expm1(place)) if logarithmic else float(place))
        for place in x
    ]
    middle, lower, upper = (
        [round(float(share), DIGITS) for share in column] for column in found.share(x - on_scale[0])
    )
    return tuple(zip(at, middle, lower, upper, strict=True))


def _no_curve(plan: Plan, judged: Judgement) -> Remark | None:
    """Why no curve is drawn; None where one is tried."""
    contrast, e = judged.contrast, judged.evidence
    alone = not (contrast.override_reason or contrast.unlogged or len(contrast.differs) > 1)
    all_right = not contrast.directed and e.asked.count == e.asked.n
    found = (
        (plan.anytime, Remark("anytime")),
        (not _has_curve(contrast), Remark("no_curve")),
        (not alone, Remark("more_differs")),
        (min(len(c.takes) for c in contrast.conditions) < 2, Remark("one_take")),
        (e.coded is None or e.asked.n < LEAST_VOTES, Remark("few_votes", {"votes": LEAST_VOTES})),
        (
            e.asked.listeners < LEAST_LISTENERS,
            Remark("few_listeners", {"listeners": LEAST_LISTENERS}),
        ),
        (e.swapped, Remark("swapped")),
        (all_right, Remark("all_right")),
    )
    return next((why for holds, why in found if holds), None)


def _has_curve(contrast: Contrast) -> bool:
    """Whether the share right of a pair follows from its distance alone."""
    asked = contrast.asked_by
    return asked.curve is not None and asked.round_robin


def _fitted(contrast: Contrast, e: Evidence, confidence: float) -> DoseCurve:
    coded = e.coded
    assert coded is not None
    doses = sorted(contrast.doses_on_scale)
    told_apart = contrast.asked_by.curve
    assert told_apart is not None
    if not contrast.directed:
        own = contrast.asked_by.curve
        assert own is not None
        return curve.undirected(coded.table, coded.labels, doses, own.name, confidence=confidence)
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
