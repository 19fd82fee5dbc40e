"""What a take holds where the leader is silent: noise and mains hum."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.leader.find import LeaderIn
from panel.audio.sound import Audio

Floats = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
HARMONICS = 12
_EDGE_S = 0.1
_SEARCH_RATE = 2_000.0
_STRAY = 0.004  # mains and clocks stray by less than this share
_TRIED = 33
_EVIDENCE = 25.0  # power of a line over what noise would put there, from which it counts


@dataclass(frozen=True)
class Line:
    """One harmonic of the mains: its frequency and its RMS level in dB of full scale."""

    hz: float
    dbfs: float


@dataclass(frozen=True)
class Hum:
    """mains_hz: 50 or 60, as measured (50.02, say). lines: those that stand out of the noise."""

    mains_hz: float
    dbfs: float
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Silence:
    """One channel. noise_dbfs: RMS of what is left when hum and DC are taken out; -inf if none.

    total_dbfs: RMS with hum. hum: None when neither series stands out. Levels relative to full
    scale as RMS of a square wave: a full-scale sine has -3.01.
    """

    total_dbfs: float
    noise_dbfs: float
    hum: Hum | None


def measure(samples: Audio, found: LeaderIn) -> list[Silence]:
    """Each channel of a take (frames, channels), in the leader's silence after its decay."""
    low = int(np.ceil(found.position(found.layout.silence_at_s + _EDGE_S)))
    high = int(np.floor(found.position(found.layout.falling_at_s - _EDGE_S)))
    return [
        of_stretch(samples[max(low, 0) : high, i], found.true_rate) for i in range(samples.shape[1])
    ]


def of_stretch(samples: Floats, rate: float) -> Silence:
    """Noise and hum in a stretch (frames,) without signal, half a second or more."""
    still: Floats = samples - samples.mean()
    total = float(np.square(still).mean())
    mains_hz = _mains(still, rate)
    lines, rest = _fitted(still, _series(mains_hz, rate), rate)
    # A sine's power in noise of variance v, fitted over n samples, is 2 v / n on average. Noise
    # near the series counts, not that of the whole band: hum lies low, where noise is often higher.
    expected = 2 * _noise_near(rest, rate, mains_hz) / len(still)
    power = np.square(lines) / 2
    stands = power > _EVIDENCE * np.maximum(expected, 1e-30)
    if not stands.any():
        return Silence(_db(total), _db(total), None)
    # What does not stand out is noise, and stays with it.
    found = _series(mains_hz, rate)[stands]
    lines, rest = _fitted(still, found, rate)
    power = np.square(lines) / 2
    hum = float(power.sum())
    return Silence(
        _db(total),
        _db(float(np.square(rest).mean())),
        Hum(
            mains_hz,
            _db(hum),
            tuple(Line(float(h), _db(float(p))) for h, p in zip(found, power, strict=True)),
        ),
    )


def _mains(samples: Floats, rate: float) -> float:
    """The fundamental near 50 or 60 Hz whose series takes most out of the stretch."""
    import soxr

    low = soxr.resample(samples, rate, _SEARCH_RATE, "HQ") if rate > _SEARCH_RATE else samples
    rate = min(rate, _SEARCH_RATE)
    tried = [
        mains * (1 + float(stray))
        for mains in MAINS_HZ
        for stray in np.linspace(-_STRAY, _STRAY, _TRIED)
    ]
    left = [float(np.square(_fitted(low, _series(hz, rate), rate)[1]).sum()) for hz in tried]
    best = int(np.argmin(left))
    if best % _TRIED in (0, _TRIED - 1):
        return tried[best]
    before, here, after = left[best - 1 : best + 2]
    curve = before - 2 * here + after
    shift = 0.5 * (before - after) / curve if curve > 0 else 0.0
    return tried[best] + shift * (tried[best + 1] - tried[best])


def _series(mains: float, rate: float) -> Floats:
    count = min(HARMONICS, int(0.45 * rate / mains))
    out: Floats = (mains * (1.0 + np.arange(count))).astype(np.float64)
    return out


def _fitted(samples: Floats, hz: Floats, rate: float) -> tuple[Floats, Floats]:
    """Amplitudes of sines at `hz` by least squares, and what they leave."""
    angle = 2 * np.pi * np.arange(len(samples))[:, None] / rate * hz
    table = np.concatenate((np.cos(angle), np.sin(angle)), axis=1)
    found = np.linalg.solve(table.T @ table, table.T @ samples)
    half = len(hz)
    amplitudes: Floats = np.hypot(found[:half], found[half:])
    rest: Floats = samples - table @ found
    return amplitudes, rest


def _noise_near(rest: Floats, rate: float, mains: float) -> float:
    """White noise's variance at the density that lies between the lines of the series."""
    power = np.square(np.abs(np.fft.rfft(rest * np.hanning(len(rest)))))
    hz = np.fft.rfftfreq(len(rest), 1 / rate)
    low = power[(hz > mains / 2) & (hz < (HARMONICS + 0.5) * mains)]
    window = float(np.square(np.hanning(len(rest))).sum())
    return float(np.median(low)) / np.log(2) / window if len(low) else 0.0


def _db(power: float) -> float:
    return 10 * float(np.log10(power)) if power > 0 else float("-inf")
