"""The figures behind a take's warnings, gathered block by block in one pass."""

import numpy as np
from numpy.typing import NDArray

from panel.audio.intake.faults import FLAT, Figures, cornered, quietest
from panel.audio.reading.stretches import Block

_LONGEST_RUN = 2**20


class Tally:
    """`add` the blocks of a take in order, then ask for its `figures`."""

    def __init__(self, rate: int, channels: int) -> None:
        self.block = max(1, rate // 50)
        self.frames = 0
        self.energy = 0.0
        self.sums = np.zeros(channels)
        self.powers: list[NDArray[np.float64]] = []
        self.rest: Block = np.zeros((0, channels), np.float32)
        self.sides = [_Side() for _ in range(2 * channels)]

    def add(self, block: Block) -> None:
        self.frames += len(block)
        self.sums += block.sum(axis=0, dtype=np.float64)
        whole = np.concatenate((self.rest, block))
        count = len(whole) // self.block
        parts = whole[: count * self.block].reshape(count, self.block * block.shape[1])
        self.powers.append(np.einsum("ij,ij->i", parts, parts).astype(np.float64))
        self.energy += float(self.powers[-1].sum())
        self.rest = whole[count * self.block :]
        for channel, values in enumerate(block.T):
            self.sides[2 * channel].add(values)
            self.sides[2 * channel + 1].add(-values)

    def figures(self) -> Figures:
        channels = len(self.sums)
        size = max(1, self.frames * channels)
        energy = self.energy + float(np.square(self.rest, dtype=np.float64).sum())
        powers = np.concatenate(self.powers) if self.powers else np.zeros(0)
        return Figures(
            peak=max((side.peak for side in self.sides), default=0.0),
            level=float(np.sqrt(energy / size)),
            offset=float(np.abs(self.sums).max(initial=0.0)) / max(1, self.frames),
            clipped=sum(side.finish() for side in self.sides),
            noise_power=quietest(powers / (self.block * channels)),
        )


class _Side:
    """Stretches that stand at the peak of one channel, above or below."""

    def __init__(self) -> None:
        self.peak = 0.0
        self.count = 0
        self.kept: NDArray[np.float32] = np.zeros(0, np.float32)  # the end of what came before

    def add(self, values: NDArray[np.float32]) -> None:
        top = float(values.max(initial=0.0))
        if top * (1 - FLAT) > self.peak:
            self.count = 0  # what stood at the old peak stands below the new one
        self.peak = max(self.peak, top)
        least = self.peak * (1 - FLAT)
        if top < least and float(self.kept.max(initial=0.0)) < least:
            self.kept = values[-2:].copy()
            return
        self.kept = self._counted(np.concatenate((self.kept, values)), ended=False)

    def finish(self) -> int:
        self._counted(self.kept, ended=True)
        return self.count if self.peak >= 0.05 else 0

    def _counted(self, side: NDArray[np.float32], *, ended: bool) -> NDArray[np.float32]:
        """Count the stretches that are over; give back what the next block must know."""
        at_top = np.concatenate(([False], side >= self.peak * (1 - FLAT), [False]))
        edges = np.flatnonzero(np.diff(at_top.astype(np.int8)))
        starts, stops = edges[::2], edges[1::2]
        keep_from = max(0, len(side) - 2)
        if not ended and len(stops) and stops[-1] > len(side) - 2:
            keep_from = max(0, int(starts[-1]) - 2)
            if len(side) - keep_from < _LONGEST_RUN:
                starts, stops = starts[:-1], stops[:-1]
            else:
                keep_from = len(side)
        self.count += cornered(side.astype(np.float64), self.peak, starts, stops)
        return side[keep_from:].copy()
