"""What measurably differs between two takes.

A number here says what two recordings hold. Whether anyone hears it is for the votes alone.
"""

from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from panel.audio.align.take import SAME_PERFORMANCE, align, apply, same_channels
from panel.audio.intake import faults
from panel.audio.intake.faults import Warning_
from panel.audio.loudness import for_clip
from panel.audio.measure import curves
from panel.audio.measure.curves import Shelf
from panel.audio.measure.transfer import transfer
from panel.audio.prepare.clips import resampled, residual_db
from panel.audio.sound import Audio, Sound
from panel.audio.warp import within_band
from panel.errors import BadInput

NOMINAL_HZ = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0,
    500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0,
    8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip
"""Nominal mid-band frequencies of the third-octave bands, IEC 61260-1:2014, annex E."""

BAND_FLOOR = 1e-11
_SEGMENT_S = 20.0


class BandDifference(NamedTuple):
    """Level difference in one third-octave band, named by its nominal mid frequency."""

    hz: float
    difference_db: float


@dataclass(frozen=True)
class Measured:
    """B against A. Levels in dB of B over A; `loudness_lufs` is (a, b) as recorded.

    corner_hz: of a first-order low cut that B has and A has not. shelf: the level well above its
    `hz` over that well below it, half of it at `hz`. Each is None when there is none to be found.
    """

    delay_samples: float
    gain_db: float
    drift_ppm: float
    inverted: bool
    swapped: bool
    correlation: float
    residual_db: float
    loudness_lufs: tuple[float, float]
    third_octave: tuple[BandDifference, ...]
    corner_hz: float | None
    shelf: Shelf | None
    warnings: tuple[Warning_, ...]

    @property
    def same_performance(self) -> bool:
        """Whether the two follow each other closely enough to be one performance."""
        return self.correlation >= SAME_PERFORMANCE

    def to_json(self) -> dict[str, Any]:
        """Plain values for other programs; null where a loudness does not exist, and for what is
        left where the two are not one performance: there is nothing to subtract."""
        return {
            "delay_samples": self.delay_samples,
            "gain_db": self.gain_db,
            "drift_ppm": self.drift_ppm,
            "inverted": self.inverted,
            "residual_db": self.residual_db if self.same_performance else None,
            "loudness_lufs": [v if np.isfinite(v) else None for v in self.loudness_lufs],
            "third_octave": [
                {"hz": band.hz, "difference_db": band.difference_db} for band in self.third_octave
            ],
            "corner_hz": self.corner_hz,
            "shelf": None if self.shelf is None else asdict(self.shelf),
            "same_performance": self.same_performance,
            "warnings": [asdict(warning) for warning in self.warnings],
        }


def measure(a: Sound, b: Sound) -> Measured:
    """Delay, gain, drift, polarity, residual, low cut, shelf and third octaves of B against A.

    Both sounds keep their own length; where rates differ B is brought to A's (and a warning says
    so), and the delay counts samples of A. Raises BadInput when one is silent or too short.
    """
    for sound, name in ((a, "The first sound"), (b, "The second sound")):
        if sound.frames < 0.1 * sound.rate:
            raise BadInput(f"{name} is shorter than 0.1 s.", hint="Measure longer recordings.")
        if not sound.samples.any():
            raise BadInput(f"{name} is silent.", hint="There is nothing to measure against.")
    warnings = [
        *faults.of_take(a.samples, a.rate, a.source, "The first sound"),
        *faults.of_take(b.samples, b.rate, b.source, "The second sound"),
        *faults.of_set([a.source, b.source], [a.rate, b.rate]),
    ]
    rate = a.rate
    other = b.samples if b.rate == rate else resampled(b.samples, b.rate, rate)
    if a.channels != b.channels:
        warnings.append(
            Warning_(
                "mono_and_stereo", "One is mono and one is stereo: their mono mixes are compared."
            )
        )
    first, second = same_channels(a.samples, other)
    found = align(first, second, rate)
    low = int(np.ceil(max(0.0, -found.delay_samples / found.step)))
    high = int(np.floor(min(len(first), (len(second) - found.delay_samples) / found.step)))
    if high - low < 0.05 * rate:
        raise BadInput(
            "The two sounds share less than a twentieth of a second.",
            hint="Check that both hold the same music.",
        )
    if found.correlation < SAME_PERFORMANCE:
        warnings.append(
            Warning_(
                "low_correlation",
                f"The two do not follow each other (correlation {found.correlation:.2f}): they are "
                "not the same performance, and delay, drift and residual mean little.",
            )
        )
    x = first[low:high]
    y = apply(second, found, float(low), high - low)
    full_y, full_x, x, y = y, x, within_band(x), within_band(y)
    own = float(np.square(x).sum())
    gain = float((x * y).sum()) / own if own else 0.0
    if found.correlation < SAME_PERFORMANCE or gain <= 0:
        gain = float(np.sqrt(np.square(y).sum() / own)) if own else 1.0
    circuit = curves.NOTHING
    if found.correlation >= SAME_PERFORMANCE:
        circuit = curves.fit(transfer(x, y, rate), rate)
    if found.swapped:
        warnings.append(
            Warning_("swapped", "The second sound has left and right exchanged; that was put back.")
        )
    if circuit.corner_of_a_hz is not None:
        warnings.append(
            Warning_(
                "low_cut_in_first",
                f"The first sound has a low cut at {circuit.corner_of_a_hz:.3g} Hz that the second "
                "has not.",
            )
        )
    return Measured(
        delay_samples=found.delay_samples,
        gain_db=20 * float(np.log10(gain)),
        drift_ppm=found.drift_ppm,
        inverted=found.inverted,
        swapped=found.swapped,
        correlation=found.correlation,
        residual_db=residual_db(x, y),
        loudness_lufs=(for_clip(a.samples, a.rate)[0], for_clip(b.samples, b.rate)[0]),
        third_octave=third_octave_difference(full_x, full_y / gain, rate),
        corner_hz=circuit.corner_hz,
        shelf=circuit.shelf,
        warnings=tuple(warnings),
    )


def band_edges(index: int) -> tuple[float, float]:
    """Lower and upper edge in Hz of third-octave band `index` (0 is the band around 1 kHz).

    Base ten: 1000 * 10^(index/10), edges a factor 10^(1/20) away. IEC 61260-1:2014, 5.2 to 5.5.
    """
    middle = 1000.0 * 10 ** (index / 10)
    return middle * 10**-0.05, middle * 10**0.05


def band_powers(samples: Audio, rate: int) -> NDArray[np.float64]:
    """Power in each third-octave band of NOMINAL_HZ, over all channels; NaN above half the rate.

    By the spectrum of long, barely tapered segments, each bin shared between bands by its width.
    """
    count = max(1, round(samples.shape[0] / (_SEGMENT_S * rate)))
    powers = np.zeros(len(NOMINAL_HZ))
    for segment in np.array_split(samples, count):
        n = segment.shape[0]
        ramp = max(1, min(n // 20, rate // 50))
        window = np.ones(n)
        window[:ramp] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / ramp)
        window[-ramp:] = window[:ramp][::-1]
        size = 1 << int(np.ceil(np.log2(max(n, rate))))
        bins = np.abs(np.fft.rfft(segment * window[:, None], size, axis=0)) ** 2
        total = np.concatenate(([0.0], np.cumsum(bins.sum(axis=1))))
        at = np.arange(len(total)) - 0.5  # edges of the bins, in bins
        for i in range(len(NOMINAL_HZ)):
            low, high = (edge * size / rate for edge in band_edges(i - 17))
            if high > size / 2:
                powers[i] = np.nan
                continue
            powers[i] += np.interp(high, at, total) - np.interp(low, at, total)
    return powers


def third_octave_difference(a: Audio, b: Audio, rate: int) -> tuple[BandDifference, ...]:
    """Level of `b` over `a` in each band where both hold sound; same shape, aligned."""
    first, second = band_powers(a, rate), band_powers(b, rate)
    out = []
    for hz, p, q in zip(NOMINAL_HZ, first, second, strict=True):
        enough = p > BAND_FLOOR * np.nansum(first) and q > BAND_FLOOR * np.nansum(second)
        if enough:  # False for NaN
            out.append(BandDifference(hz, 10 * float(np.log10(q / p))))
    return tuple(out)
