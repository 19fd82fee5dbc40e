"""What may be wrong with a take, said in a sentence before anybody listens."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.sound import Audio, Source

Places = NDArray[np.intp]


@dataclass(frozen=True)
class Warning_:  # noqa: N801 - Warning is Python's own
    """A code for programs and a sentence for a person."""

    code: str
    sentence: str


SILENT_DB = -80.0
DC_LIMIT = 0.003
FLAT = 1e-4


@dataclass(frozen=True)
class Figures:
    """What a take's own warnings are told from; of samples with full scale 1.0.

    peak: highest magnitude; level: RMS; offset: the largest channel mean; clipped: stretches;
    noise_power: see `noise_power`.
    """

    peak: float
    level: float
    offset: float
    clipped: int
    noise_power: float


def of_take(samples: Audio, rate: int, source: Source, name: str) -> tuple[Warning_, ...]:
    """Warnings about one take by itself: silent, clipped, offset, lossy or coarse source."""
    figures = Figures(
        float(np.abs(samples).max(initial=0.0)),
        float(np.sqrt(np.square(samples).mean())) if samples.size else 0.0,
        float(np.abs(samples.mean(axis=0)).max()) if samples.size else 0.0,
        clipped_stretches(samples),
        0.0,
    )
    return told_from(figures, source, name)


def told_from(figures: Figures, source: Source, name: str) -> tuple[Warning_, ...]:
    """The same warnings, where the take has been surveyed already."""
    found = []
    peak, level, stretches = figures.peak, figures.level, figures.clipped
    if level < 10 ** (SILENT_DB / 20):
        found.append(Warning_("silence", f"{name} is silent, or all but silent."))
    if stretches:
        found.append(
            Warning_(
                "clipping",
                f"{name} is clipped in {stretches} place{'s' * (stretches > 1)}; "
                "record it again with less gain.",
            )
        )
    elif peak > 1.0:
        found.append(
            Warning_(
                "over_full_scale", f"{name} passes full scale by {20 * np.log10(peak):.1f} dB."
            )
        )
    offset = figures.offset
    if offset > DC_LIMIT and offset > 0.01 * level:
        found.append(
            Warning_(
                "dc", f"{name} has a constant offset (DC) of {100 * offset:.2g} % of full scale."
            )
        )
    if source.lossy:
        found.append(
            Warning_(
                "lossy",
                f"{name} comes from a lossy format ({source.format} {source.subtype}): "
                "the coding may be what is heard.",
            )
        )
    elif source.bits is not None and source.bits <= 16 and source.subtype != "FLOAT":
        found.append(
            Warning_(
                "coarse", f"{name} is stored in {source.bits} bits; its own noise may be heard."
            )
        )
    return tuple(found)


def of_set(sources: Sequence[Source], rates: Sequence[int]) -> tuple[Warning_, ...]:
    """Warnings about takes that are to be compared with each other."""
    found = []
    if any(s.lossy for s in sources) and not all(s.lossy for s in sources):
        found.append(
            Warning_(
                "lossy_mixed",
                "Lossy and lossless takes are mixed: the coding differs between them, so a "
                "difference cannot be put down to the change.",
            )
        )
    if len(set(rates)) > 1:
        found.append(
            Warning_(
                "rate_mismatch",
                "The takes have different sample rates ("
                + ", ".join(f"{rate:,} Hz" for rate in sorted(set(rates)))
                + f"); all are brought to {rates[0]:,} Hz.",
            )
        )
    return tuple(found)


def clipped_stretches(samples: Audio) -> int:
    """How many stretches stand flat at the peak of their channel with a corner at an end.

    Three samples or more within 1e-4 of the channel's peak, where the next sample falls away far
    faster than the top of a wave would. Common practice, no source.
    """
    count = 0
    for channel in samples.T:
        for side in (channel, -channel):
            peak = float(side.max(initial=0.0))
            if peak < 0.05:
                continue
            top = np.concatenate(([False], side >= peak * (1 - FLAT), [False]))
            edges = np.flatnonzero(np.diff(top.astype(np.int8)))
            count += cornered(side, peak, edges[::2], edges[1::2])
    return count


def cornered(side: Audio, peak: float, starts: Places, stops: Places) -> int:
    """How many of the stretches of `side` that stand at `peak` end in a corner."""
    long = stops - starts >= 3
    starts, stops = starts[long], stops[long]
    # The top of a wave (a parabola) that is flat over n samples falls by at most
    # ((n + 4) / n)^2 times as much two samples further on.
    n = stops - starts
    before = side[np.maximum(starts - 2, 0)]
    after = side[np.minimum(stops + 1, len(side) - 1)]
    corner = peak - np.minimum(before, after) > 4 * FLAT * peak * ((n + 4) / n) ** 2
    return int(np.count_nonzero(corner))


def noise_power(samples: Audio, rate: int) -> float:
    """Mean square of the quietest twentieth of a take's 20 ms blocks: its noise, or above it."""
    block = max(1, rate // 50)
    blocks = samples.shape[0] // block
    if blocks < 20:
        return 0.0
    power = np.square(samples[: blocks * block]).reshape(blocks, -1).mean(axis=1)
    return quietest(power)


def quietest(power: NDArray[np.floating]) -> float:
    """Mean of the lowest twentieth of the blocks' powers; 0 of fewer than twenty."""
    blocks = len(power)
    if blocks < 20:
        return 0.0
    quiet = np.sort(power)[: max(1, blocks // 20)]
    return float(quiet.mean())
