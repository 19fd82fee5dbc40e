"""How large the difference is: d′ of a question from the mixed model.

The model gives size and spread, never the claim. Votes on pairs across conditions; fixed: the
mean d′; random: listener, excerpt, and pair of takes, on the scale of the procedure's curve. A
pair's deviation is the difference of two takes' own deviations, and a take stands in many pairs:
panel.analysis.attribution.shared_takes gives the spread of takes, and widens the interval by it.

A directed question put with one pair of takes tells the d′ of the mean share instead, with the
interval of that share over listeners: the model's centre lies between the median and the mean of
skewed listeners, and its interval missed the median one in 10 of 100 simulated panels.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from panel.analysis.attribution import shared_takes
from panel.analysis.counts import called_different
from panel.analysis.decision.evidence import Evidence
from panel.analysis.mixed import model
from panel.analysis.mixed import profile as mixed_profile
from panel.analysis.mixed.method import EVEN_LIMIT
from panel.errors import BadInput

LEAST_VOTES = 20
LEAST_LISTENERS = 3
NEAR = 1.0  # d′ under which an even curve is so flat that the likelihood has no clear top
FAR = 8.0  # d′ beyond which a share right is 1 to three digits, whatever the procedure
WIDE = 0.5  # spread of listeners' d′ under which they count as alike however small their centre
ONE_IN_TEN = float(ndtri(0.9))

# What a d′ is of. Where some hear and others do not, the centre lies between the two kinds and is
# nobody's: it must not be told as the typical listener's, and the share who hear says more.
TYPICAL, UNLIKE, MEAN_SHARE = "typical listener", "centre of unlike listeners", "mean share"


@dataclass(frozen=True)
class Size:
    """d′ with its interval and spreads, or None and a message where no number is warranted.

    For directed questions d′ is signed: positive if the later (or higher) condition is chosen.
    `listeners`: code to (d′, low, high), the conditional mode with its spread. `of`: TYPICAL,
    UNLIKE or MEAN_SHARE; None without a d′.
    """

    dprime: float | None
    interval: tuple[float, float] | None
    listener_sd: float | None
    take_sd: float | None
    excerpt_sd: float | None
    message: str
    listeners: dict[str, tuple[float, float, float]]
    of: str | None = None


def centre_of(dprime: float, listener_sd: float) -> str:
    """Whether a centre may be told as the typical listener's d′.

    Not where the model has more than one listener in ten at or beyond d′ = 0, on the other side
    of the centre: then there are people who hear nothing, or the opposite.
    """
    unlike = listener_sd >= WIDE and ONE_IN_TEN * listener_sd >= abs(dprime)
    return UNLIKE if unlike else TYPICAL


def with_skew(
    dprime: float, interval: tuple[float, float], listener_sd: float
) -> tuple[float, float]:
    """`interval` of the centre, its end towards 0 drawn in so far that it holds for the median of
    log-normal sensitivities too.

    The model takes listeners as normal. A log-normal of the same mean m and SD s has its median at
    m / √(1 + s²/m²) (Johnson, Kotz & Balakrishnan 1994, *Continuous Univariate Distributions* 1,
    ch. 14), and votes hardly tell the two apart.
    """
    low, high = interval
    if not dprime:
        return interval
    drawn_in = 1 / math.hypot(1.0, listener_sd / dprime)
    return (low * drawn_in if low > 0 else low), (high * drawn_in if high < 0 else high)


def _none(message: str) -> Size:
    return Size(None, None, None, None, None, message, {})


def _of_mean_share(found: Evidence, why: str) -> Size:
    """d′ at which the curve gives the mean share right, with the interval over listeners."""
    curve = found.contrast.asked_by.curve
    assert curve is not None
    share = found.asked.share
    if found.interval is None or not found.asked.n or share is None:
        return _none("No size is given: no listener's votes can be used yet.")
    low, high = curve.dprime(np.array(found.interval)).tolist()
    dprime = float(curve.dprime(share))
    if not math.isfinite(dprime):
        return _none("Every vote went one way, so d′ has no limit on that side and none is given.")
    if not (math.isfinite(low) and math.isfinite(high)):
        return _none(f"{why}, and the interval of the mean share has no d′: none is given.")
    return Size(
        dprime=dprime,
        interval=(low, high),
        listener_sd=None,
        take_sd=None,
        excerpt_sd=None,
        message=(
            f"{why}, so d′ is that of the mean share, with the interval of that share over "
            "listeners, and no spreads are given."
        ),
        listeners={},
        of=MEAN_SHARE,
    )


def _of_rates(found: Evidence) -> Size:
    """Same–different: d′ and the criterion from the two rates."""
    if found.rates is None:
        return _none("No votes count for this contrast.")
    got = called_different.estimate(found.rates)
    if got is None:
        return _none(
            "No size is given: none or all of a kind were called different, so d′ and the "
            "criterion are not told."
        )
    above = "" if math.isfinite(got.high) else "; the rates set no upper limit"
    return Size(
        dprime=got.dprime,
        interval=(got.low, got.high) if math.isfinite(got.high) else None,
        listener_sd=None,
        take_sd=None,
        excerpt_sd=None,
        message=(
            f"d′ and the criterion τ = {got.tau:.2f} follow from the two mean rates by the "
            f"differencing model; d′ is at least {got.low:.2f}{above}. No spreads are given."
        ),
        listeners={},
        of=MEAN_SHARE,
    )


def of_question(found: Evidence, alpha: float, confidence: float) -> Size:
    """Fit the model to the votes across conditions; never raises for thin or odd votes.

    An even curve is flat at d′ = 0: there the spreads are not told by the votes, and no model is
    fitted unless the votes beat chance at `alpha`.
    """
    contrast, coded = found.contrast, found.coded
    if coded is None:
        return _none("No votes count for this contrast.")
    curve = contrast.asked_by.curve
    if curve is None:
        return _of_rates(found)
    use = coded.across & coded.decided
    y, listener = coded.y[use].astype(float), coded.listener[use]
    people = np.unique(listener)
    if y.size < LEAST_VOTES or people.size < LEAST_LISTENERS:
        return _none(
            f"No size is given: it takes at least {LEAST_VOTES} votes across the conditions by "
            f"{LEAST_LISTENERS} listeners."
        )
    if contrast.directed and len(contrast.conditions) > 2 and not contrast.is_dose:
        return _none("No single size describes more than two named conditions.")
    if found.swapped:
        return _none("No size is given: fewer answers are right than guessing gives.")
    if not contrast.directed and found.asked.p > alpha:
        return _of_mean_share(found, "The votes do not beat chance")
    groups: dict[str, Any] = {"listener": listener}
    excerpt = coded.excerpt[use]
    if np.unique(excerpt).size > 1:
        groups["excerpt"] = excerpt
    pair = coded.first[use] * len(coded.take_ids) + coded.second[use]
    if np.unique(pair).size > 1:
        groups["pair"] = pair
    link, ones = curve.name, np.ones((y.size, 1))
    try:
        fitted = model.fit(y, ones, groups, link=link)
        if not fitted.converged:
            return _of_mean_share(found, "The model did not settle")
        beta = float(fitted.beta[0])
        dprime = float(fitted.dprime(fitted.beta)[0])
        if max(abs(dprime), *fitted.sd.values()) > FAR:
            return _of_mean_share(found, "The model gives no credible size for these votes")
        if curve.even and max(fitted.sd.values()) > 0.99 * EVEN_LIMIT:
            return _of_mean_share(
                found, "Listeners or takes differ more than the votes can measure"
            )
        if not contrast.directed and dprime < NEAR:
            return _of_mean_share(found, "So little is heard that the votes tell no spreads")
        profile = mixed_profile.profile_interval(y, ones, groups, level=confidence, link=link)
    except BadInput as refused:
        return _of_mean_share(found, f"The model cannot be fitted ({refused.message.rstrip('.')})")
    if not profile.converged:
        return _of_mean_share(found, "The model did not settle")
    z = float(ndtri(0.5 + confidence / 2))
    modes = fitted.modes["listener"]
    spread = fitted.mode_sd["listener"]
    eta = beta + np.stack([modes, modes - z * spread, modes + z * spread], axis=1)
    each = fitted.dprime(eta)
    codes = [coded.listeners[int(i)] for i in fitted.levels["listener"]]
    interval, take_sd = (profile.dprime_low, profile.dprime_high), None
    if "pair" in fitted.sd:
        shared = shared_takes.of_pairs(
            coded.first[use], coded.second[use], coded.labels, fitted.sd["pair"]
        )
        take_sd = shared.take_sd
        low, high = shared.widened(dprime, interval, confidence)
        interval = (max(0.0, low) if curve.even else low, high)
    interval = with_skew(dprime, interval, fitted.sd["listener"])
    of = centre_of(dprime, fitted.sd["listener"])
    message = fitted.message
    if contrast.directed and take_sd is None:
        whole = _of_mean_share(found, "Listeners need not be spread as the model has it")
        if whole.dprime is None or whole.interval is None:
            return whole
        dprime, interval, of = whole.dprime, whole.interval, MEAN_SHARE
    if of == UNLIKE:
        message = (
            "Listeners differ so much that the model's centre lies between unlike people and is "
            f"not the typical listener's d′. {message}"
        ).strip()
    return Size(
        dprime=dprime,
        interval=interval,
        listener_sd=fitted.sd["listener"],
        take_sd=take_sd,
        excerpt_sd=fitted.sd.get("excerpt"),
        message=message,
        listeners={
            c: (float(e[0]), float(e[1]), float(e[2])) for c, e in zip(codes, each, strict=True)
        },
        of=of,
    )
