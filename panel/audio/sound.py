"""What a decoded take is: samples, rate, and where they came from."""

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
