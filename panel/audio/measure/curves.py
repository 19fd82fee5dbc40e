"""What simple circuit would make B out of A: a first-order low cut, a shelf, both, or neither.

Closed forms are fitted to the transfer function by weighted least squares. Something is reported
only when it explains most of what differs, and would do so wherever the noise lies; a shape that
the sound does not reach far enough to tell is not reported.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.measure.transfer import Transfer

Floats = NDArray[np.float64]

LEAST_SHELF_DB = 0.1
LEAST_LOSS_DB = 0.01
"""Below these a shape is not reported: connectors and temperature do as much."""

_DB = 20 / float(np.log(10))
_WEIGHT_OF_EVIDENCE = 40.0  # in units of chi-squared; scaled by the misfit that is left
_LEFT_AT_MOST = 0.35
_SEEN_AT_LEAST = 0.75
_MOST_SHELF_DB = 24.0
_MISFIT_AT_MOST = 0.1
# Takes of one chain differ by slow waves over the octaves of some tenths of a dB, and a stretch of
# a wave passes for a shelf (common practice, no source). Two takes alone do not tell them apart,
# unless nothing but noise is left beside the shelf.
_WAVES_DB = 0.75
_ALONE_AT_MOST = 0.02
_INFRASOUND_HZ = 20.0
_MOVED_DB = 6.0
_GOOD_ENOUGH_DB = 0.01
_METHOD_DB = 0.004  # what alignment and spectra leave of a perfect match
_LEAST_BANDS = 8


@dataclass(frozen=True)
class Shelf:
    """`gain_db`: level well above `hz` over level well below it; half of it lies at `hz`."""

    hz: float
    gain_db: float


@dataclass(frozen=True)
class Curves:
    """corner_hz: of a low cut that B has and A has not; None when there is none.

    corner_of_a_hz: of one that A has and B has not.
    """

    corner_hz: float | None
    corner_of_a_hz: float | None
    shelf: Shelf | None


NOTHING = Curves(None, None, None)


def low_cut(hz: Floats, corner: float) -> Floats:
    """ln |H| of a first-order low cut, corner 1 / (2 pi R C); a negative corner is its inverse."""
    out: Floats = -0.5 * np.sign(corner) * np.log1p(np.square(corner / hz))
    return out


def shelf_first_order(ratio: Floats, gain_db: float) -> Floats:
    """ln |H| of one pole and one zero, half of the gain at `ratio` = f / f_mid = 1."""
    a = 10 ** (gain_db / 20)
    w = np.square(ratio)
    out: Floats = 0.5 * np.log((1 + a * w) / (1 + w / a))
    return out


def shelf_second_order(ratio: Floats, gain_db: float) -> Floats:
    """ln |H| of the second-order shelf of slope 1.

    Source: W3C Working Group Note "Audio EQ Cookbook" (R. Bristow-Johnson), highShelf.
    """
    a = 10 ** (gain_db / 40)
    w = np.square(ratio)
    up = np.square(1 - a * w) + 2 * a * w
    down = np.square(a - w) + 2 * a * w
    out: Floats = np.log(a) + 0.5 * np.log(up / down)
    return out


Shape = Callable[[Floats, float], Floats]


def fit(found: Transfer, rate: int) -> Curves:
    """The simplest of none, low cut, shelf or both that explains the transfer function."""
    if len(found.hz) < _LEAST_BANDS:
        return NOTHING
    weigh = _Weighing(found, rate)
    none = weigh.chi(0.0 * found.hz, found.log_gain)
    corner = weigh.best(with_corner=True, with_shelf=False)
    shelf = weigh.best(with_corner=False, with_shelf=True)
    both = weigh.best(with_corner=True, with_shelf=True)
    free = len(found.hz)
    single = min((corner, shelf), key=lambda m: m.chi)
    scale = max(1.0, both.chi / (free - 4))
    # Two shapes only where neither alone will do, and each has something to say.
    if (
        single.chi - both.chi > _WEIGHT_OF_EVIDENCE * scale
        and both.chi < _LEFT_AT_MOST * single.chi
        and weigh.holds(both, none)
        and weigh.corner_seen(both)
        and weigh.shelf_seen(both)
    ):
        return _told(both)
    # A steep low shelf can pass for a low cut, so the simpler one goes first unless it is worse.
    shelf_tells = weigh.shelf_seen(shelf) and weigh.holds(shelf, none)
    clearly = shelf.chi < _LEFT_AT_MOST * corner.chi and weigh.misfit_db(corner) > _GOOD_ENOUGH_DB
    if weigh.holds(corner, none) and weigh.corner_seen(corner) and not (shelf_tells and clearly):
        return _told(corner)
    if shelf_tells:
        return _told(shelf)
    return NOTHING


@dataclass(frozen=True)
class _Model:
    chi: float
    corner: float
    hz: float
    gain_db: float
    shape: Shape
    warped: bool
    freedom: int


def _told(model: _Model) -> Curves:
    own = 10 ** (model.gain_db / 40)
    if (
        model.shape is shelf_first_order
        and not model.corner
        and abs(model.gain_db) >= _MOVED_DB
        and max(model.hz / own, model.hz * own) > _INFRASOUND_HZ
        and min(model.hz / own, model.hz * own) <= _INFRASOUND_HZ
    ):
        # Both have a low cut, one of them below hearing: the other's is what differs.
        moved = max(model.hz / own, model.hz * own) * np.sign(model.gain_db)
        return Curves(
            float(moved) if moved > 0 else None, float(-moved) if moved < 0 else None, None
        )
    return Curves(
        model.corner if model.corner > 0 else None,
        -model.corner if model.corner < 0 else None,
        Shelf(model.hz, model.gain_db) if model.gain_db else None,
    )


class _Weighing:
    """Chi-squared of models of one transfer function; the level is always free."""

    def __init__(self, found: Transfer, rate: int) -> None:
        self.found, self.rate = found, rate
        self.weight: Floats = 1 / (np.square(found.sigma) + np.square(found.half_range))

    def chi(self, model: Floats, measured: Floats) -> float:
        rest = measured - model
        rest = rest - np.average(rest, weights=self.weight)
        return float((self.weight * np.square(rest)).sum())

    def curve(self, model: _Model) -> Floats:
        return self._low(model.corner) + self._high(
            model.hz, model.gain_db, model.shape, model.warped
        )

    def _low(self, corner: float) -> Floats:
        return low_cut(self.found.hz, corner) if corner else self.found.hz * 0.0

    def _high(self, hz: float, gain_db: float, shape: Shape, warped: bool) -> Floats:
        if not gain_db:
            return self.found.hz * 0.0
        if warped:  # as the bilinear transform squeezes the axis towards half the rate
            ratio = np.tan(np.pi * self.found.hz / self.rate) / np.tan(np.pi * hz / self.rate)
        else:
            ratio = self.found.hz / hz
        return shape(ratio, gain_db)

    def best(self, *, with_corner: bool, with_shelf: bool) -> _Model:
        lowest, highest = float(self.found.hz[0]), float(self.found.hz[-1])
        corners = np.geomspace(min(1.0, lowest / 10), 2 * lowest + 400, 18) if with_corner else None
        signed = [0.0] if corners is None else [s * float(c) for c in corners for s in (1, -1)]
        middles = np.geomspace(lowest * 1.2, highest / 1.2, 24) if with_shelf else np.ones(1)
        models: list[_Model] = []
        for shape, warped in (
            (shelf_second_order, True), (shelf_second_order, False), (shelf_first_order, True),
            (shelf_first_order, False),
        ):  # fmt: skip
            start = self._start(signed, middles, shape, warped, with_shelf)
            models.append(self._refined(start))
            if not with_shelf:
                break
        return min(models, key=lambda m: m.chi)

    def _start(
        self, corners: list[float], middles: Floats, shape: Shape, warped: bool, with_shelf: bool
    ) -> _Model:
        """The best of a grid; the shelf's gain by linear least squares on a small one's shape."""
        share = self.weight / self.weight.sum()
        measured = self.found.log_gain
        small = 3.0
        lows = np.array([self._low(c) for c in corners])
        rests = measured - lows
        rests = rests - (rests @ share)[:, None]
        freedom = (corners != [0.0]) + 2 * with_shelf
        if not with_shelf:
            chis = np.square(rests) @ self.weight
            i = int(chis.argmin())
            return _Model(float(chis[i]), corners[i], 1.0, 0.0, shape, warped, freedom)
        highs = np.array([self._high(float(m), small, shape, warped) for m in middles])
        highs = highs - (highs @ share)[:, None]
        own = np.square(highs) @ self.weight + 1e-300
        cross = (rests * self.weight) @ highs.T
        chis = (np.square(rests) @ self.weight)[:, None] - np.square(cross) / own
        i, j = divmod(int(chis.argmin()), chis.shape[1])
        gain = float(np.clip(small * cross[i, j] / own[j], -24, 24)) or 1e-3
        return _Model(
            float(chis[i, j]), corners[i], float(middles[j]), gain, shape, warped, freedom
        )

    def _refined(self, start: _Model) -> _Model:
        from scipy.optimize import least_squares

        root = np.sqrt(self.weight)
        sign = np.sign(start.corner)

        def model(at: Floats) -> _Model:
            values = list(at)
            corner = float(sign * np.exp(np.clip(values.pop(0), -9, 9))) if sign else 0.0
            hz, gain = (
                (float(np.exp(np.clip(values[0], 0, 11.5))), float(values[1]))
                if start.gain_db
                else (1.0, 0.0)
            )
            if start.warped:
                hz = min(hz, 0.49 * self.rate)
            return _Model(0.0, corner, hz, gain, start.shape, start.warped, start.freedom)

        def rest(at: Floats) -> Floats:
            left = self.found.log_gain - self.curve(model(at))
            out: Floats = root * (left - np.average(left, weights=self.weight))
            return out

        begin = [np.log(abs(start.corner))] if sign else []
        begin += [np.log(start.hz), start.gain_db] if start.gain_db else []
        done = least_squares(rest, begin, x_scale="jac", max_nfev=200)
        end = model(np.asarray(done.x, dtype=np.float64))
        return _Model(
            float(2 * done.cost), end.corner, end.hz, end.gain_db, end.shape, end.warped,
            end.freedom,
        )  # fmt: skip

    def holds(self, model: _Model, none: float) -> bool:
        """Whether the model explains most of what differs, wherever the noise may lie."""
        free = len(self.found.hz) - 1 - model.freedom
        scale = max(1.0, model.chi / free)
        if none - model.chi < _WEIGHT_OF_EVIDENCE * scale:
            return False
        left = max(model.chi - free, 0.0) > _LEFT_AT_MOST * (none - free)
        if left and self.misfit_db(model) > _METHOD_DB:
            return False
        curve = self.curve(model)
        for way in (-1.0, 1.0):
            measured = self.found.log_gain + way * self.found.half_range
            gained = self.chi(curve * 0, measured) - self.chi(curve, measured)
            if gained < _WEIGHT_OF_EVIDENCE / 2 * scale:
                return False
        return True

    def loss_db(self, model: _Model) -> float:
        """The most that the low cut does within what was measured."""
        return float(np.ptp(self._low(model.corner)) * _DB)

    def misfit_db(self, model: _Model) -> float:
        """Weighted RMS of what the model leaves."""
        return float(np.sqrt(model.chi / self.weight.sum()) * _DB)

    def corner_seen(self, model: _Model) -> bool:
        """Whether the low cut takes enough away, and more than a retake's waves would."""
        loss = self.loss_db(model)
        return loss >= LEAST_LOSS_DB and (loss >= _WAVES_DB or self._left_db(model) <= _METHOD_DB)

    def _left_db(self, model: _Model) -> float:
        """RMS of what the model leaves beyond noise."""
        beyond_noise = max(model.chi - (len(self.found.hz) - 1 - model.freedom), 0.0)
        return float(np.sqrt(beyond_noise / self.weight.sum()) * _DB)

    def shelf_seen(self, model: _Model) -> bool:
        """Whether it is a shelf, and the sound reaches far enough to both sides to know its gain.

        What is left beyond noise must be small against it: the ripple of a retake is no shelf.
        """
        there = np.abs(self._high(model.hz, model.gain_db, model.shape, model.warped)) * _DB
        whole = abs(model.gain_db)
        left = self._left_db(model)
        return bool(
            left
            <= (
                _MISFIT_AT_MOST * whole
                if whole >= _WAVES_DB
                else min(_METHOD_DB, _ALONE_AT_MOST * whole)
            )
            and LEAST_SHELF_DB <= whole <= _MOST_SHELF_DB
            and there[0] <= (1 - _SEEN_AT_LEAST) * whole
            and there[-1] >= _SEEN_AT_LEAST * whole
        )
