"""All that the leader in a take tells, as it is kept: response, distortion, noise and hum.

`of_take` makes what is kept, for the columns of a table; `Channel` is to be computed with.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.leader import response, silence
from panel.audio.leader.find import LeaderIn
from panel.audio.reading.stretches import Recording

Floats = NDArray[np.float64]

FLOOR_DB = -400.0
"""Where there was nothing at all; JSON has no infinity."""


@dataclass(frozen=True)
class KeptHum:
    """As `silence.Hum`; lines: (Hz, dB of full scale)."""

    mains_hz: float
    dbfs: float
    lines: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class KeptChannel:
    """What is kept of one channel, at the frequencies of `response.points`; distortion by order.

    A channel without any of the sweep has neither magnitude nor distortion. What is -inf is
    FLOOR_DB.
    """

    magnitude_db: tuple[float, ...]
    distortion_db: dict[str, tuple[float, ...]]
    noise_dbfs: float
    total_dbfs: float
    hum: KeptHum | None


def of_take(take: Recording, found: LeaderIn) -> tuple[KeptChannel, ...]:
    """What is measured in each channel of a take, of which the leader alone is read."""
    low, high = int(found.position(0.0)), int(np.ceil(found.position(found.layout.music_at_s)))
    region = take.span(low, high)
    here = LeaderIn(
        found.start - low, found.drift_ppm, found.inverted, found.likeness, found.rate, found.layout
    )
    return tuple(
        _kept(told, still)
        for told, still in zip(
            response.measure(region, here), silence.measure(region, here), strict=True
        )
    )


@dataclass(frozen=True, eq=False)
class Channel:
    """One channel. hz, magnitude_db as in `response.Response`; distortion by order, each
    at hz[: len(it)] of the fundamental, in dB over it. noise_dbfs, hum_dbfs: -inf for none."""

    hz: Floats
    magnitude_db: Floats
    distortion_db: Mapping[int, Floats]
    noise_dbfs: float
    hum_dbfs: float
    mains_hz: float | None

    @classmethod
    def of(cls, kept: KeptChannel) -> "Channel":
        magnitude = np.array(kept.magnitude_db, dtype=np.float64)
        hum = kept.hum
        return cls(
            response.LOWEST_HZ * 2 ** (np.arange(len(magnitude)) / response.POINTS_AN_OCTAVE),
            magnitude,
            {
                int(order): np.array(level, dtype=np.float64)
                for order, level in kept.distortion_db.items()
            },
            _level(kept.noise_dbfs),
            _level(hum.dbfs) if hum else -math.inf,
            hum.mains_hz if hum else None,
        )

    def at(self, hz: float) -> float | None:
        """Magnitude in dB at a frequency; None past what the take's rate can hold."""
        if not len(self.hz) or not self.hz[0] <= hz <= self.hz[-1]:
            return None
        return float(np.interp(np.log(hz), np.log(self.hz), self.magnitude_db))

    def distortion_at(self, order: int, hz: float) -> float | None:
        """Level of a harmonic in dB over a fundamental of that frequency; None past the rate."""
        level = self.distortion_db.get(order, np.zeros(0))
        at = self.hz[: len(level)]
        if not len(at) or not at[0] <= hz <= at[-1]:
            return None
        return float(np.interp(np.log(hz), np.log(at), level))


def _kept(told: response.Response, still: silence.Silence) -> KeptChannel:
    swept = len(told.magnitude_db) > 0 and told.magnitude_db.max() >= -160
    return KeptChannel(
        _rounded(told.magnitude_db) if swept else (),
        {str(one.order): _rounded(one.level_db) for one in told.distortion} if swept else {},
        _finite(still.noise_dbfs),
        _finite(still.total_dbfs),
        None if still.hum is None else _kept_hum(still.hum),
    )


def _kept_hum(hum: silence.Hum) -> KeptHum:
    lines = tuple((round(line.hz, 2), _finite(line.dbfs)) for line in hum.lines)
    return KeptHum(round(hum.mains_hz, 3), _finite(hum.dbfs), lines)


def _rounded(values: Floats) -> tuple[float, ...]:
    return tuple(round(float(value), 4) for value in values)


def _finite(value: float) -> float:
    return round(max(value, FLOOR_DB), 4)


def _level(value: float) -> float:
    return -math.inf if value <= FLOOR_DB else float(value)
