"""An overview of a take for a picture: what happens where."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.audio.sound import Audio


@dataclass(frozen=True, eq=False)
class Envelope:
    """Per column of a picture: lowest and highest sample and RMS over all channels; shape (n,)."""

    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    rms: NDArray[np.float64]
    seconds: float


def envelope(samples: Audio, rate: int, columns: int = 1000) -> Envelope:
    """Cut (frames, channels) into at most `columns` equal stretches and describe each."""
    frames = samples.shape[0]
    columns = max(1, min(columns, frames))
    edges = np.linspace(0, frames, columns + 1).astype(np.intp)[:-1]
    if frames == 0:
        nothing = np.zeros(1)
        return Envelope(nothing, nothing, nothing, 0.0)
    counts = np.diff(np.append(edges, frames))
    return Envelope(
        np.minimum.reduceat(samples.min(axis=1), edges),
        np.maximum.reduceat(samples.max(axis=1), edges),
        np.sqrt(np.add.reduceat(np.square(samples).mean(axis=1), edges) / counts),
        frames / rate,
    )
