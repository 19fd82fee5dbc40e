"""How large the difference is: d′ of a question from the mixed model.

The model gives size and spread, never the claim. Votes on pairs across conditions; fixed: the
mean d′; random: listener, excerpt, and pair of takes, on the scale of the procedure's curve. A
pair's deviation is the difference of two takes' own deviations, so the take's standard deviation
is the pair's over √2.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from panel.analysis import mixed
from panel.analysis.evidence import Coded
from panel.analysis.plan_reading import Contrast
from panel.errors import BadInput

LINKS = {"abx": "abx", "triangle": "triangle", "attribute": "twoafc", "preference": "twoafc"}
LEAST_VOTES = 20
LEAST_LISTENERS = 3


@dataclass(frozen=True)
class Size:
    """d′ with its interval and spreads, or None and a message where no number is warranted.

    For directed questions d′ is signed: positive if the later (or higher) condition is chosen.
    `listeners`: code to (d′, low, high), the conditional mode with its spread.
    """

    dprime: float | None
    interval: tuple[float, float] | None
    listener_sd: float | None
    take_sd: float | None
    excerpt_sd: float | None
    message: str
    listeners: dict[str, tuple[float, float, float]]


def _none(message: str) -> Size:
    return Size(None, None, None, None, None, message, {})


def of_question(contrast: Contrast, coded: Coded, confidence: float) -> Size:
    """Fit the model to the votes across conditions; never raises for thin or odd votes."""
    use = coded.across
    y, listener = coded.y[use].astype(float), coded.listener[use]
    people = np.unique(listener)
    if y.size < LEAST_VOTES or people.size < LEAST_LISTENERS:
        return _none(
            f"No size is given: it takes at least {LEAST_VOTES} votes across the conditions by "
            f"{LEAST_LISTENERS} listeners."
        )
    if contrast.directed and len(contrast.conditions) > 2 and not contrast.is_dose:
        return _none("No single size describes more than two named conditions.")
    groups: dict[str, Any] = {"listener": listener}
    excerpt = coded.excerpt[use]
    if np.unique(excerpt).size > 1:
        groups["excerpt"] = excerpt
    pair = coded.first[use] * len(coded.take_ids) + coded.second[use]
    if np.unique(pair).size > 1:
        groups["pair"] = pair
    try:
        fitted = mixed.fit(y, np.ones((y.size, 1)), groups, link=LINKS[contrast.procedure])
    except BadInput as refused:
        return _none(f"No size is given: {refused.message}")
    if not fitted.converged:
        return _none(f"No size is given: {fitted.message}")
    z = float(ndtri(0.5 + confidence / 2))
    beta, se = float(fitted.beta[0]), float(fitted.se[0])
    interval = None
    if math.isfinite(se):
        low, high = fitted.dprime(np.array([beta - z * se, beta + z * se])).tolist()
        interval = (low, high)
    modes = fitted.modes["listener"]
    spread = fitted.mode_sd["listener"]
    eta = beta + np.stack([modes, modes - z * spread, modes + z * spread], axis=1)
    each = fitted.dprime(eta)
    codes = [coded.listeners[int(i)] for i in fitted.levels["listener"]]
    pair_sd = fitted.sd.get("pair")
    return Size(
        dprime=float(fitted.dprime(np.array([beta]))[0]),
        interval=interval,
        listener_sd=fitted.sd["listener"],
        take_sd=None if pair_sd is None else pair_sd / math.sqrt(2),
        excerpt_sd=fitted.sd.get("excerpt"),
        message=fitted.message,
        listeners={
            c: (float(e[0]), float(e[1]), float(e[2])) for c, e in zip(codes, each, strict=True)
        },
    )
