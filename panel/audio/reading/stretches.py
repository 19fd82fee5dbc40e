"""Takes by the stretch: what preparing works on, be they in memory or in a file.

A `Sound` in memory is a `Recording`, and so is a file opened by `files.opened`: what is needed of a
long one is read, never all of it at once.
"""

import tempfile
import threading
import weakref
from collections.abc import Iterator
from typing import Protocol
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from panel.audio.sound import Audio, Sound, Source
from panel.audio.warp import reach, within

Block = NDArray[np.float32]
"""float32, shape (frames, channels): enough for surveys, for 24 bits fit in it."""

BLOCK_FRAMES = 2**18


class Recording(Protocol):
    """A take whose samples can be had by the stretch. `frames` at `rate` Hz, of `channels`."""

    @property
    def rate(self) -> int: ...

    @property
    def frames(self) -> int: ...

    @property
    def channels(self) -> int: ...

    @property
    def source(self) -> Source: ...

    def span(self, first: int, last: int) -> Audio:
        """Samples first .. last - 1, (last - first, channels); silence where there is none."""
        ...

    def blocks(self) -> Iterator[Block]:
        """All samples in order, some at a time."""
        ...


def in_memory(samples: Audio, rate: int) -> Sound:
    """An array as a recording of no particular source."""
    return Sound(samples, rate, Source("", "", None, False))


def at_positions(recording: Recording, start: float, step: float, frames: int) -> Audio:
    """As `warp.at_positions`, reading no more of the recording than it takes."""
    if frames <= 0:
        return np.zeros((0, recording.channels))
    first, last = reach(start, step, frames)
    return within(recording.span(first, last), start - first, step, frames)


def beginning_at(recording: Recording, begin: int) -> Recording:
    """The recording from its sample `begin` on."""
    if begin == 0:
        return recording
    if isinstance(recording, Sound):
        return Sound(recording.samples[begin:], recording.rate, recording.source)
    return _Later(recording, begin)


class _Later:
    def __init__(self, recording: Recording, begin: int) -> None:
        self.rate, self.channels = recording.rate, recording.channels
        self.source = recording.source
        self.frames = max(0, recording.frames - begin)
        self._recording, self._begin = recording, begin

    def span(self, first: int, last: int) -> Audio:
        out = np.zeros((last - first, self.channels))
        low, high = max(first, 0), min(last, self.frames)
        if high > low:
            held = self._recording.span(low + self._begin, high + self._begin)
            out[low - first : high - first] = held
        return out

    def blocks(self) -> Iterator[Block]:
        left = self._begin
        for block in self._recording.blocks():
            if left < len(block):
                yield block[left:]
            left = max(0, left - len(block))


_at_rate: WeakKeyDictionary[Recording, dict[int, Recording]] = WeakKeyDictionary()


def at_rate(recording: Recording, rate: int) -> Recording:
    """At another rate (soxr, linear phase, very high quality); keeps the time of every sample.

    Made once for a recording, and kept, in a file, as long as it is.
    """
    import soxr

    made = _at_rate.setdefault(recording, {})
    if rate not in made:
        stream = soxr.ResampleStream(
            recording.rate, rate, recording.channels, dtype="float32", quality="VHQ"
        )
        spool = Spool(rate, recording.channels, recording.source)
        for block in recording.blocks():
            spool.add(stream.resample_chunk(np.ascontiguousarray(block)))
        last = np.zeros((0, recording.channels), np.float32)
        spool.add(stream.resample_chunk(last, last=True))
        made[rate] = spool
    return made[rate]


class Spool:
    """Samples put by in a temporary file of float32 (which holds 24 bits), read by the stretch.

    The file goes when this does.
    """

    def __init__(self, rate: int, channels: int, source: Source) -> None:
        self.rate, self.channels, self.source = rate, channels, source
        self.frames = 0
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - open as long as this is
        weakref.finalize(self, self._file.close)
        self._lock = threading.Lock()

    def add(self, block: Block) -> None:
        self._file.write(np.ascontiguousarray(block, dtype=np.float32).data)
        self.frames += len(block)

    def span(self, first: int, last: int) -> Audio:
        out = np.zeros((last - first, self.channels))
        low, high = max(first, 0), min(last, self.frames)
        if high > low:
            out[low - first : high - first] = self._read(low, high)
        return out

    def blocks(self) -> Iterator[Block]:
        for first in range(0, self.frames, BLOCK_FRAMES):
            yield self._read(first, min(first + BLOCK_FRAMES, self.frames))

    def _read(self, low: int, high: int) -> Block:
        width = 4 * self.channels
        with self._lock:
            self._file.seek(low * width)
            held = self._file.read((high - low) * width)
        return np.frombuffer(held, np.float32).reshape(-1, self.channels)
