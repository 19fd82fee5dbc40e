"""What a take is described by when it comes in: loudness, its range, and what happens where."""

from dataclasses import dataclass

import numpy as np

from panel.audio.intake.overview import Envelope
from panel.audio.loudness import Meter
from panel.audio.reading.stretches import Recording


@dataclass(frozen=True, eq=False)
class Description:
    """lufs: gated loudness, -inf for silence; range_lu: loudness range (EBU Tech 3342), None where
    nothing of 3 s passes its gates; envelope: over all channels."""

    lufs: float
    range_lu: float | None
    envelope: Envelope


def of(recording: Recording, columns: int) -> Description:
    """One pass over the recording, which is never held whole. The envelope is that of
    `overview.envelope`."""
    frames = recording.frames
    columns = max(1, min(columns, frames))
    edges = np.linspace(0, frames, columns + 1).astype(np.intp)  # column c begins at edges[c]
    lowest, highest = np.full(columns, np.inf), np.full(columns, -np.inf)
    energy = np.zeros(columns)
    meter = Meter(recording.rate, recording.channels)
    at = 0
    for block in recording.blocks():
        meter.add(block)
        first = int(np.searchsorted(edges, at, "right")) - 1
        last = int(np.searchsorted(edges, at + len(block), "left"))
        here, inside = slice(first, last), np.maximum(edges[first:last] - at, 0)
        squares = np.square(block, dtype=np.float64).mean(axis=1)
        lowest[here] = np.minimum(lowest[here], np.minimum.reduceat(block.min(axis=1), inside))
        highest[here] = np.maximum(highest[here], np.maximum.reduceat(block.max(axis=1), inside))
        energy[here] += np.add.reduceat(squares, inside)
        at += len(block)
    if frames == 0:
        nothing = np.zeros(1)
        return Description(float("-inf"), None, Envelope(nothing, nothing, nothing, 0.0))
    rms = np.sqrt(energy / np.diff(edges))
    envelope = Envelope(lowest, highest, rms, frames / recording.rate)
    return Description(meter.integrated(), meter.range_lu(), envelope)
