"""Each channel of a recording by itself, in one pass: level, loudness and what happens where."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.intake.overview import Envelope
from panel.audio.loudness import Meter
from panel.audio.reading.stretches import Block, Recording


@dataclass(frozen=True, eq=False)
class Track:
    """One channel: RMS and highest sample (full scale 1.0), loudness in LUFS of it alone."""

    rms: float
    peak: float
    loudness_lufs: float
    envelope: Envelope


def of(recording: Recording, columns: int = 1000) -> list[Track]:
    """Every channel of a recording, which is read by the stretch and never held whole."""
    frames, channels = recording.frames, recording.channels
    columns = max(1, min(columns, frames))
    # Column c holds the samples from edges[c] on.
    edges = np.linspace(0, frames, columns + 1).astype(np.intp)
    lowest = np.full((columns, channels), np.inf)
    highest = np.full((columns, channels), -np.inf)
    energy = np.zeros((columns, channels))
    meters = [Meter(recording.rate, 1) for _ in range(channels)]
    at = 0
    for block in recording.blocks():
        first = int(np.searchsorted(edges, at, "right")) - 1
        last = int(np.searchsorted(edges, at + len(block), "left"))
        inside = np.maximum(edges[first:last] - at, 0)
        _lay(lowest[first:last], highest[first:last], energy[first:last], block, inside)
        for channel, meter in enumerate(meters):
            meter.add(np.ascontiguousarray(block[:, channel : channel + 1]))
        at += len(block)
    counts = np.maximum(np.diff(edges), 1)
    return [
        Track(
            rms=float(np.sqrt(energy[:, channel].sum() / max(1, frames))),
            peak=float(max(highest[:, channel].max(), -lowest[:, channel].min())),
            loudness_lufs=meter.integrated(),
            envelope=Envelope(
                lowest[:, channel],
                highest[:, channel],
                np.sqrt(energy[:, channel] / counts),
                frames / recording.rate,
            ),
        )
        for channel, meter in enumerate(meters)
    ]


def _lay(
    lowest: NDArray[np.float64],
    highest: NDArray[np.float64],
    energy: NDArray[np.float64],
    block: Block,
    inside: NDArray[np.intp],
) -> None:
    """Add a block to the columns that it reaches; `inside`: where in it each of them begins."""
    np.minimum(lowest, np.minimum.reduceat(block, inside, axis=0), out=lowest)
    np.maximum(highest, np.maximum.reduceat(block, inside, axis=0), out=highest)
    energy += np.add.reduceat(np.square(block, dtype=np.float64), inside, axis=0)
