"""A take at a low rate in one channel, to search and to survey it without holding it.

Made in one pass over the take; an hour takes 115 MB or less.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from panel.audio.reading.stretches import Block, Recording

Real = TypeVar("Real", np.float32, np.float64)

LEAST_HZ = 8_000


@dataclass(frozen=True, eq=False)
class Sketch:
    """samples: float32 (frames,), one for every `factor` of the take; rate in Hz, of these."""

    samples: NDArray[np.float32]
    factor: int
    rate: float


def factor_for(rate: int) -> int:
    """The largest whole factor that leaves 8 kHz or more."""
    return max(1, rate // LEAST_HZ)


def by_difference(recording: Recording) -> bool:
    """Whether left and right all but cancel in their sum, so that the difference must stand for
    the take. Told from short stretches all over it."""
    if recording.channels != 2:
        return False
    length = max(1, recording.rate // 20)
    count = max(1, min(64, recording.frames // length))
    whole = total = 0.0
    for start in np.linspace(0, max(0, recording.frames - length), count).astype(int):
        piece = recording.span(int(start), int(start) + length)
        whole += float(np.square(piece.sum(axis=1)).sum())
        total += float(np.square(piece).sum())
    return whole <= 0.05 * total and total > 0


def one_channel(block: NDArray[Real], difference: bool) -> NDArray[Real]:
    """The sum of the channels, or their difference; (frames,)."""
    if block.shape[1] == 1:
        return block[:, 0]
    return block[:, 0] - block[:, 1] if difference else block[:, 0] + block[:, 1]


class Sketching:
    """Makes a sketch of the blocks it is given, in order."""

    def __init__(self, rate: int, difference: bool) -> None:
        import soxr

        self.factor = factor_for(rate)
        self.rate, self.difference = rate, difference
        self.parts: list[NDArray[np.float32]] = []
        self.stream = (
            soxr.ResampleStream(rate, rate / self.factor, 1, dtype="float32", quality="MQ")
            if self.factor > 1
            else None
        )

    def add(self, block: Block) -> None:
        mono = np.ascontiguousarray(one_channel(block, self.difference))
        self.parts.append(mono if self.stream is None else self.stream.resample_chunk(mono))

    def finish(self) -> Sketch:
        if self.stream is not None:
            self.parts.append(self.stream.resample_chunk(np.zeros(0, np.float32), last=True))
        samples = np.concatenate(self.parts) if self.parts else np.zeros(0, np.float32)
        return Sketch(samples, self.factor, self.rate / self.factor)


def of(recording: Recording, difference: bool = False) -> Sketch:
    """One pass over the whole take."""
    making = Sketching(recording.rate, difference)
    for block in recording.blocks():
        making.add(block)
    return making.finish()
