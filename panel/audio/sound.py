"""What a decoded take is: samples, rate, and where they came from."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]
"""float64, shape (frames, channels), full scale 1.0."""


@dataclass(frozen=True)
class Source:
    """What kind of file the samples came from.

    `bits` is the stored word length (None where the format has none); `lossy` is True when the
    format does not give back what was recorded.
    """

    format: str
    subtype: str
    bits: int | None
    lossy: bool


@dataclass(frozen=True)
class Probe:
    """What a file says of itself before it is decoded."""

    source: Source
    frames: int
    rate: int
    channels: int

    @property
    def seconds(self) -> float:
        return self.frames / self.rate


@dataclass(frozen=True, eq=False)
class Sound:
    """A decoded take: `samples` float64 (frames, channels), full scale 1.0; `rate` in Hz."""

    samples: Audio
    rate: int
    source: Source

    @property
    def frames(self) -> int:
        return int(self.samples.shape[0])

    @property
    def channels(self) -> int:
        return int(self.samples.shape[1])

    @property
    def seconds(self) -> float:
        return self.frames / self.rate

    def span(self, first: int, last: int) -> Audio:
        """Samples first .. last - 1, (last - first, channels); silence where there is none."""
        out = np.zeros((last - first, self.channels))
        low, high = max(first, 0), min(last, self.frames)
        if high > low:
            out[low - first : high - first] = self.samples[low:high]
        return out

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """All samples in order, a quarter of a million frames at a time."""
        for first in range(0, self.frames, 2**18):
            yield self.samples[first : first + 2**18].astype(np.float32)
