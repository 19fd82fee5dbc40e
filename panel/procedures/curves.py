"""Psychometric curves: the chance of a right answer for a sensitivity d′, and back.

d′ is the distance between the two conditions in units of perceptual noise (Thurstone's case V,
equal-variance normal percepts). All functions take scalars or arrays of any shape and return
float arrays of that shape. With Φ and φ the normal distribution and density and T Owen's function:

    twoafc           Φ(d/√2)
    threeafc         Φ(h) − 2 T(h, 1/√3), h = d/√2       (= ∫ φ(z − d) Φ(z)² dz)
    triangle         1 − 4 T(d/√6, √3)
                     (= 2∫₀^∞ [Φ(−z√3 + d√⅔) + Φ(−z√3 − d√⅔)] φ(z) dz)
    tetrad           1 − 8 T(d/√2, 1/√3)                 (= 1 − 2∫ φ(x) [2Φ(x)Φ(x−d) − Φ(x−d)²] dx)
    duotrio, abx     1 − Φ(a) − Φ(b) + 2 Φ(a) Φ(b), a = d/√2, b = d/√6
    abx_independent  Φ(a) Φ(c) + Φ(−a) Φ(−c), a = d/√2, c = d/2

The integrals are those of Ennis 1993 (J. Sensory Studies 8, 353–370) and Ennis, Ennis, Yip &
O'Mahony 1998 (BJMSP 51, 205–215), ABX that of Macmillan & Creelman, *Detection Theory*; the
closed forms follow from them with Φ₂(h, k; ρ) in terms of T (Owen 1956, Ann. Math. Statist. 27).
Plain `abx` is the differencing listener, who takes X for whichever of the two it lies nearer to;
`abx_independent` first orders the two. The plain one gives the larger d′ for a share right.

`twoafc` and `threeafc` are directed: they rise through chance, and a negative d′ means that the
other one is chosen. The rest are even in d′ and flat at 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri, owens_t

from panel.errors import BadInput

Floats = NDArray[np.float64]

_ROOT2, _ROOT3, _ROOT6 = np.sqrt(2.0), np.sqrt(3.0), np.sqrt(6.0)
_FAR = 60.0  # beyond this d′ every curve is 0 or 1 in double precision


class Derivatives(NamedTuple):
    """A curve at d: p, 1 − p (accurate when tiny), and the first three derivatives of p."""

    right: Floats
    wrong: Floats
    first: Floats
    second: Floats
    third: Floats


def _density(x: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi), dtype=np.float64)


@dataclass(frozen=True)
class Curve:
    """One procedure's psychometric curve. `chance` is the share right when nothing is heard."""

    name: str
    chance: float
    even: bool

    def derivatives(self, d: ArrayLike) -> Derivatives:
        """p, 1 − p, dp/dd, d²p/dd², d³p/dd³ at `d`."""
        raise NotImplementedError

    def probability(self, d: ArrayLike) -> Floats:
        """Probability of a right answer at sensitivity `d`."""
        return self.derivatives(d).right

    def slope(self, d: ArrayLike) -> Floats:
        """dp/dd: 0 at d = 0 for an even curve."""
        return self.derivatives(d).first

    def curvature(self, d: ArrayLike) -> Floats:
        """d²p/dd²."""
        return self.derivatives(d).second

    def dprime(self, p: ArrayLike) -> Floats:
        """The d′ at which the probability of a right answer is `p`; inf where p = 1.

        An even curve never lies under chance: there, and at chance, d′ is 0. A directed curve
        gives a negative d′ under chance (−inf at p = 0). Raises BadInput outside 0..1 or for NaN.
        """
        target = np.asarray(p, dtype=np.float64)
        if not np.all((target >= 0.0) & (target <= 1.0)):
            raise BadInput(
                "A share of right answers must lie between 0 and 1.",
                hint="Give the number right divided by the number of trials.",
            )
        low = np.full(target.shape, 0.0 if self.even else -_FAR)
        high = np.full(target.shape, _FAR)
        for _ in range(30):  # halving: 120 / 2³⁰ is close enough for Newton
            middle = 0.5 * (low + high)
            under = self.probability(middle) < target
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        d = 0.5 * (low + high)
        for _ in range(4):
            here = self.derivatives(d)
            # 1 − p is the accurate side in the upper half, p in the lower.
            miss = np.where(target > 0.5, (1.0 - target) - here.wrong, here.right - target)
            with np.errstate(divide="ignore", invalid="ignore"):
                step = np.where(here.first > 0.0, miss / here.first, 0.0)
            d = np.clip(d - step, low - 1e-6, high + 1e-6)
        if self.even:
            d = np.where(target <= self.chance, 0.0, np.maximum(d, 0.0))
        else:
            d = np.where(target == 0.0, -np.inf, d)
        return np.asarray(np.where(target == 1.0, np.inf, d), dtype=np.float64)


@dataclass(frozen=True)
class _TwoAlternatives(Curve):
    def derivatives(self, d: ArrayLike) -> Derivatives:
        h = np.asarray(d, dtype=np.float64) / _ROOT2
        first = _density(h) / _ROOT2
        return Derivatives(
            np.asarray(ndtr(h)),
            np.asarray(ndtr(-h)),
            first,
            -h * first / _ROOT2,
            (h * h - 1.0) * first / 2.0,
        )

    def dprime(self, p: ArrayLike) -> Floats:
        target = np.asarray(p, dtype=np.float64)
        if not np.all((target >= 0.0) & (target <= 1.0)):
            return super().dprime(p)
        return np.asarray(_ROOT2 * ndtri(target), dtype=np.float64)


@dataclass(frozen=True)
class _ThreeAlternatives(Curve):
    def derivatives(self, d: ArrayLike) -> Derivatives:
        d = np.asarray(d, dtype=np.float64)
        h, k = d / _ROOT2, d / _ROOT6
        tail = 2.0 * owens_t(h, 1.0 / _ROOT3)
        fh, fk, ck = _density(h), _density(k), ndtr(k)
        # p′ = √2 φ(h) Φ(k), then the product rule with h′ = 1/√2, k′ = 1/√6.
        first = _ROOT2 * fh * ck
        second = -h * fh * ck + fh * fk / _ROOT3
        third = (
            (h * h - 1.0) * fh * ck / _ROOT2
            - h * fh * fk * (1.0 / _ROOT6 + 1.0 / (_ROOT2 * _ROOT3))
            - k * fh * fk / (_ROOT3 * _ROOT6)
        )
        # Where h is far below 0 the difference Φ(h) − 2T loses digits but stays positive.
        right = np.maximum(ndtr(h) - tail, 0.0)
        return Derivatives(np.asarray(right), np.asarray(ndtr(-h) + tail), first, second, third)


@dataclass(frozen=True)
class _Even(Curve):
    """1 − p = Σ c T(s d, t/s), hence p′ = Σ c s φ(s d) [Φ(t d) − ½], over terms (c, s, t)."""

    terms: tuple[tuple[float, float, float], ...]

    def _wrong(self, d: Floats) -> Floats:
        total = np.zeros_like(d)
        for c, s, t in self.terms:
            total = total + c * owens_t(s * d, t / s)
        return total

    def derivatives(self, d: ArrayLike) -> Derivatives:
        d = np.asarray(d, dtype=np.float64)
        wrong = self._wrong(d)
        first, second, third = np.zeros_like(d), np.zeros_like(d), np.zeros_like(d)
        for c, s, t in self.terms:
            fs, ft, half = _density(s * d), _density(t * d), ndtr(t * d) - 0.5
            first = first + c * s * fs * half
            second = second + c * s * fs * (t * ft - s * s * d * half)
            third = third + c * s * fs * (
                (s**4 * d * d - s * s) * half - t * d * (2.0 * s * s + t * t) * ft
            )
        return Derivatives(1.0 - wrong, wrong, first, second, third)


@dataclass(frozen=True)
class _Product(_Even):
    """1 − p = Φ(−a) + Φ(−b) − 2 Φ(−a) Φ(−b): two agreeing or two disagreeing judgements.

    The same as two terms with c = 2 (Owen 1956), without the cost of T.
    """

    def _wrong(self, d: Floats) -> Floats:
        (_, s, t), _ = self.terms
        d = np.abs(d)
        first, second = ndtr(-s * d), ndtr(-t * d)
        return np.asarray(first + second - 2.0 * first * second, dtype=np.float64)


def _product(name: str, s: float, t: float) -> _Product:
    return _Product(name, 0.5, True, ((2.0, s, t), (2.0, t, s)))


twoafc: Curve = _TwoAlternatives("twoafc", 0.5, False)
threeafc: Curve = _ThreeAlternatives("threeafc", 1.0 / 3.0, False)
triangle: Curve = _Even("triangle", 1.0 / 3.0, True, ((4.0, 1 / _ROOT6, 1 / _ROOT2),))
tetrad: Curve = _Even("tetrad", 1.0 / 3.0, True, ((8.0, 1 / _ROOT2, 1 / _ROOT6),))
duotrio: Curve = _product("duotrio", 1 / _ROOT2, 1 / _ROOT6)
abx: Curve = _product("abx", 1 / _ROOT2, 1 / _ROOT6)
abx_independent: Curve = _product("abx_independent", 1 / _ROOT2, 0.5)

CURVES: Mapping[str, Curve] = MappingProxyType(
    {c.name: c for c in (twoafc, threeafc, triangle, tetrad, duotrio, abx, abx_independent)}
)
"""Curve by its name."""
