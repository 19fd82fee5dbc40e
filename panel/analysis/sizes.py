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

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from panel.analysis.attribution import shared_takes
from panel.analysis.counts import called_different
from panel.analysis.decision.evidence import Evidence
from panel.analysis.mixed import model
from panel.analysis.mixed import profile as mixed_profile
from panel.analysis.mixed.method import EVEN_LIMIT
from panel.analysis.refusals import Refused
from panel.study.verdict import Remark

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
    message: Remark
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


def _none(code: str, *parts: Remark, **told: int | str) -> Size:
    return Size(None, None, None, None, None, Remark(code, {**told}, parts), {})


def _of_mean_share(found: Evidence, why: str, *refused: Remark) -> Size:
    """d′ at which the curve gives the mean share right, with the interval over listeners.

    `why` there is no model's d′, as a code (wording.messages); `refused`: what the model said.
    """
    curve = found.contrast.asked_by.curve
    assert curve is not None
    share = found.asked.share
    if found.interval is None or not found.asked.n or share is None:
        return _none("no_listener")
    low, high = curve.dprime(np.array(found.interval)).tolist()
    dprime = float(curve.dprime(share))
    if not math.isfinite(dprime):
        return _none("one_way")
    if not (math.isfinite(low) and math.isfinite(high)):
        return _none("no_interval", *refused, why=why)
    return Size(
        dprime=dprime,
        interval=(low, high),
        listener_sd=None,
        take_sd=None,
        excerpt_sd=None,
        message=Remark("mean_share", {"why": why}, refused),
        listeners={},
        of=MEAN_SHARE,
    )


def _of_rates(found: Evidence) -> Size:
    """Same–different: d′ and the criterion from the two rates."""
    if found.rates is None:
        return _none("no_votes")
    got = called_different.estimate(found.rates)
    if got is None:
        return _none("all_or_none")
    bounded = math.isfinite(got.high)
    return Size(
        dprime=got.dprime,
        interval=(got.low, got.high) if bounded else None,
        listener_sd=None,
        take_sd=None,
        excerpt_sd=None,
        message=Remark("rates" if bounded else "rates_no_limit", {"tau": got.tau, "low": got.low}),
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
        return _none("no_votes")
    curve = contrast.asked_by.curve
    if curve is None:
        return _of_rates(found)
    use = coded.across & coded.decided
    y, listener = coded.y[use].astype(float), coded.listener[use]
    people = np.unique(listener)
    if y.size < LEAST_VOTES or people.size < LEAST_LISTENERS:
        return _none("too_few", votes=LEAST_VOTES, listeners=LEAST_LISTENERS)
    if contrast.directed and len(contrast.conditions) > 2 and not contrast.is_dose:
        return _none("several")
    if found.swapped:
        return _none("swapped")
    if not contrast.directed and found.asked.p > alpha:
        return _of_mean_share(found, "chance")
    groups: dict[str, NDArray[np.int64]] = {"listener": listener}
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
            return _of_mean_share(found, "unsettled")
        beta = float(fitted.beta[0])
        dprime = float(fitted.dprime(fitted.beta)[0])
        if max(abs(dprime), *fitted.sd.values()) > FAR:
            return _of_mean_share(found, "not_credible")
        if curve.even and max(fitted.sd.values()) > 0.99 * EVEN_LIMIT:
            return _of_mean_share(found, "unlike")
        if not contrast.directed and dprime < NEAR:
            return _of_mean_share(found, "little")
        profile = mixed_profile.profile_interval(y, ones, groups, level=confidence, link=link)
    except Refused as refused:
        return _of_mean_share(found, "refused", refused.remark)
    if not profile.converged:
        return _of_mean_share(found, "unsettled")
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
    if contrast.directed and take_sd is None:
        whole = _of_mean_share(found, "one_pair")
        if whole.dprime is None or whole.interval is None:
            return whole
        dprime, interval, of = whole.dprime, whole.interval, MEAN_SHARE
    return Size(
        dprime=dprime,
        interval=interval,
        listener_sd=fitted.sd["listener"],
        take_sd=take_sd,
        excerpt_sd=fitted.sd.get("excerpt"),
        message=Remark("unlike" if of == UNLIKE else "model", parts=fitted.notes),
        listeners={
            c: (float(e[0]), float(e[1]), float(e[2])) for c, e in zip(codes, each, strict=True)
        },
        of=of,
    )
