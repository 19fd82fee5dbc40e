"""Links of the mixed model: from the linear predictor η to the chance of a right answer.

All arrays are float64 of one shape, one entry a cell of votes. A link gives, at η,

    log p, log(1 − p),   a = d log p / dη,   b = −d log(1 − p) / dη,   and a′, b′, a″, b″,

which is all that the likelihood of y right of n needs:

    ℓ′ = y a − (n − y) b,   ℓ″ = y a′ − (n − y) b′,   ℓ‴ = y a″ − (n − y) b″,
    expected information  n a b,  its derivative  n (a′ b + a b′).

For "logit" and "probit" η is the usual one. For a directed curve (`twoafc`, `threeafc`) η is d′
itself. The even curves know no negative d′ and are flat at 0, so η is carried to d′ ≥ 0:

    "floor"  d′ = s log(1 + exp(η/s)), s = 0.25: a floor with its corner rounded. Above 0.5, d′ and
             η differ by less than 0.04; far under 0 nothing is heard. Listeners whose η is
             normal are then some who hear, more or less, and some who don't.
    "log"    d′ = exp(η): listeners' sensitivities are log-normal.

Simulated (tests/bench/mixed_sensitivity.py, 40 panels a line, so ±4 %; 12 or 40 listeners × 20 ABX
votes; log-normal or normal sensitivities, or all equal): both forms imply the panel's share right
within .02, and their 95 % profile intervals cover the typical listener's d′ in 93–95 %. Where 30 %
hear and the others don't, "floor" fits better (by 10 in deviance at 200 listeners, quadrature);
where sensitivities are log-normal, "log" does (by 2). So "floor" is the default.

Neither form is a mixture. Where few hear much and the rest nothing, the centre that a fit gives
lies between the two kinds, and its interval is no statement about the typical listener, who hears
nothing: in that simulation (30 % with d′ = 2) it covered 0 in 38 % of the panels of 12, in none
of 40. How many can hear is a question for the share of listeners, not for this model.

A hard floor max(η, 0) would make the information jump at 0, hence the Laplace deviance too, and
|η| would give every listener two modes of which Laplace sees one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfcx, expit

from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES
from panel.procedures.curves import CURVES, Curve

Floats = NDArray[np.float64]
Sensitivity = Literal["floor", "log"]

CORNER = 0.25
"""Width s of the rounded corner of the floor, in units of d′."""

_LARGEST = 50.0  # d′ beyond which 1 − p of some curve leaves double precision


class LinkTerms(NamedTuple):
    """What the likelihood needs at η (see the module); the last pair may be empty."""

    log_right: Floats
    log_wrong: Floats
    a: Floats
    b: Floats
    a1: Floats
    b1: Floats
    a2: Floats
    b2: Floats


_NONE = np.empty(0)


@dataclass(frozen=True)
class Link:
    """One link. `floor` is the least chance of a right answer it can give (0 for none)."""

    name: str
    floor: float

    @property
    def even(self) -> bool:
        """Whether η is carried to a d′ that cannot be negative."""
        return False

    def terms(self, eta: Floats) -> LinkTerms:
        """The terms at `eta`; a″ and b″ may be left empty where `completed` adds them cheaply."""
        raise NotImplementedError

    def completed(self, eta: Floats, terms: LinkTerms) -> LinkTerms:
        """`terms` at `eta`, with a″ and b″."""
        return terms

    def probability(self, eta: ArrayLike) -> Floats:
        """Chance of a right answer at `eta`."""
        return np.asarray(np.exp(self.terms(np.asarray(eta, dtype=np.float64)).log_right))

    def sensitivity(self, eta: ArrayLike) -> Floats:
        """d′ at `eta` for a psychometric curve; η itself for logit and probit."""
        return np.asarray(eta, dtype=np.float64)

    def predictor(self, share: float) -> float:
        """An η with about this share right, 0 < share < 1: where a search may start."""
        low, high = -40.0, 40.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            if float(self.probability(middle)) < share:
                low = middle
            else:
                high = middle
        return high


@dataclass(frozen=True)
class _Logit(Link):
    def terms(self, eta: Floats) -> LinkTerms:
        tail = np.log1p(np.exp(-np.abs(eta)))
        p, q = expit(eta), expit(-eta)
        pq = p * q
        return LinkTerms(
            np.minimum(eta, 0.0) - tail, np.minimum(-eta, 0.0) - tail, q, p, -pq, pq, _NONE, _NONE
        )

    def completed(self, eta: Floats, terms: LinkTerms) -> LinkTerms:
        turn = terms.b1 * (terms.a - terms.b)
        return terms._replace(a2=-turn, b2=turn)


@dataclass(frozen=True)
class _Probit(Link):
    """Φ(η/scale): scale 1 is the probit, √2 the 2-AFC curve on the scale of d′."""

    scale: float = 1.0

    def terms(self, eta: Floats) -> LinkTerms:
        x = eta / self.scale
        # Φ(−|x|) = ½ erfcx(|x|/√2) exp(−x²/2): one special function serves both tails.
        size = np.abs(x)
        scaled = 0.5 * erfcx(size * np.sqrt(0.5))
        bell = np.exp(-0.5 * x * x)
        small = scaled * bell
        log_small = np.log(scaled) - 0.5 * x * x
        log_large = np.log1p(-small)
        density = 1.0 / np.sqrt(2.0 * np.pi)
        steep, gentle = density / scaled, density * bell / (1.0 - small)
        up = x >= 0.0
        s = 1.0 / self.scale
        a, b = s * np.where(up, gentle, steep), s * np.where(up, steep, gentle)
        x = s * x
        return LinkTerms(
            np.where(up, log_large, log_small),
            np.where(up, log_small, log_large),
            a,
            b,
            -a * (x + a),
            b * (b - x),
            _NONE,
            _NONE,
        )

    def completed(self, eta: Floats, terms: LinkTerms) -> LinkTerms:
        x, s2 = eta / self.scale**2, 1.0 / self.scale**2
        a, b, a1, b1 = terms.a, terms.b, terms.a1, terms.b1
        return terms._replace(a2=-a1 * (x + a) - a * (s2 + a1), b2=b1 * (b - x) + b * (b1 - s2))


@dataclass(frozen=True)
class _CurveLink(Link):
    """A psychometric curve F of d′ = g(η)."""

    curve: Curve
    form: Sensitivity | None  # None: η is d′

    @property
    def even(self) -> bool:
        return self.form is not None

    def sensitivity(self, eta: ArrayLike) -> Floats:
        return self._scale(np.asarray(eta, dtype=np.float64))[0]

    def _scale(self, eta: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """g, g′, g″, g‴."""
        if self.form is None:
            nought = np.zeros_like(eta)
            return np.clip(eta, -_LARGEST, _LARGEST), nought + 1.0, nought, nought
        if self.form == "log":
            d = np.exp(np.minimum(eta, np.log(_LARGEST)))
            return d, d, d, d
        x = np.minimum(eta, _LARGEST) / CORNER
        rise, rest = expit(x), expit(-x)
        bend = rise * rest / CORNER
        return CORNER * np.logaddexp(0.0, x), rise, bend, bend * (rest - rise) / CORNER

    def terms(self, eta: Floats) -> LinkTerms:
        d, g1, g2, g3 = self._scale(eta)
        f = self.curve.derivatives(d)
        first = f.first * g1
        second = f.second * g1 * g1 + f.first * g2
        right, wrong = np.maximum(f.right, 1e-300), np.maximum(f.wrong, 1e-300)
        a, b = first / right, first / wrong
        rise, fall = second / right, second / wrong
        a1, b1 = rise - a * a, fall + b * b
        turn = f.third * g1**3 + 3.0 * f.second * g1 * g2 + f.first * g3
        a2 = turn / right - a * rise - 2.0 * a * a1
        b2 = turn / wrong + b * fall + 2.0 * b * b1
        # The larger of the two from the smaller: log p near p = 1 keeps its digits.
        log_right = np.where(right > 0.5, np.log1p(-np.minimum(wrong, 0.5)), np.log(right))
        return LinkTerms(log_right, np.log(wrong), a, b, a1, b1, a2, b2)


def _of_procedures() -> dict[str, Curve]:
    """Curves by the codes of the procedures that go by them."""
    return {code: kind.curve for code, kind in PROCEDURES.items() if kind.curve is not None}


def _links() -> dict[tuple[str, Sensitivity], Link]:
    table: dict[tuple[str, Sensitivity], Link] = {}
    forms: tuple[Sensitivity, ...] = ("floor", "log")
    for form in forms:
        table["logit", form] = _Logit("logit", 0.0)
        table["probit", form] = _Probit("probit", 0.0)
        for name, curve in {**_of_procedures(), **CURVES}.items():
            if curve.name == "twoafc":
                table[name, form] = _Probit(name, 0.0, np.sqrt(2.0))
            elif curve.even:
                table[name, form] = _CurveLink(name, curve.chance, curve, form)
            else:
                table[name, form] = _CurveLink(name, 0.0, curve, None)
    return table


LINKS: Mapping[tuple[str, Sensitivity], Link] = MappingProxyType(_links())


def link_named(name: str, sensitivity: Sensitivity = "floor") -> Link:
    """The link of this name. Raises BadInput for an unknown one, naming those there are."""
    try:
        return LINKS[name, sensitivity]
    except (KeyError, TypeError):
        known = ", ".join(sorted({known for known, _ in LINKS}))
        raise BadInput(
            f"There is no link {name!r} with sensitivity {sensitivity!r}.",
            hint=f"Links: {known}. Sensitivity: floor or log.",
        ) from None
