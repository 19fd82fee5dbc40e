"""Takes in their files, read by the stretch: an hour at 96 kHz needs no more memory than a minute.

Where a format can be sought in exactly (PCM and FLAC), samples come from the file itself; from any
other it is decoded once into a temporary file.
"""

import threading
import weakref
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panel.audio.reading import bundled, decode
from panel.audio.reading.containers import AGAIN
from panel.audio.reading.stretches import Block, Recording, Spool
from panel.audio.sound import Audio, Probe, Source
from panel.errors import BadInput

_SOUGHT_IN = {"WAV", "WAVEX", "RF64", "AIFF", "FLAC", "CAF"}
_EXACTLY = {"PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"}
_AT_A_TIME = 2**16


def opened(
    path: Path,
    *,
    channels: Sequence[int] | None = None,
    name: str = "",
    begin: int = 0,
    checked: bool = False,
) -> Recording:
    """A file as a recording; `channels` and `name` as for `decode.read`.

    begin: the sample of the file that becomes sample 0. checked: compare all of a FLAC file with
    its own checksum whenever its `blocks` are read to the end. Raises as `decode.read` does, but
    for damage only where it is met. The file must stay as it is while the recording is in use.
    """
    name = decode.called(path, name)
    found = decode.probe(path, name=name)
    keep = decode.chosen(found.channels, channels, name)
    if found.frames == 0:
        raise decode.without_sound(name)
    if found.source.format in _SOUGHT_IN and found.source.subtype in _EXACTLY:
        return _InFile(path, name, found, keep, begin, checked)
    if found.source.format in decode.BY_SOUNDFILE:
        return _spooled(_InFile(path, name, found, keep, 0).blocks(), found, keep, name, begin)
    with bundled.decoding(path, name, decode.LONGEST_S) as (rate, there, blocks):
        keep = decode.chosen(there, channels, name)
        found = Probe(found.source, -1, rate, there)
        of_kept = (block if keep is None else block[:, keep] for block in blocks)
        return _spooled(of_kept, found, keep, name, begin)


def _spooled(
    blocks: Iterator[Block], found: Probe, keep: list[int] | None, name: str, begin: int
) -> Spool:
    out = Spool(found.rate, len(keep) if keep else found.channels, found.source)
    at = 0
    for block in blocks:
        _check_numbers(block, at, found.rate, name)
        out.add(block[max(0, begin - at) :])
        at += len(block)
    if at == 0:
        raise decode.without_sound(name)
    return out


def _check_numbers(block: NDArray[np.floating], at: int, rate: int, name: str) -> None:
    if not np.isfinite(block).all():
        bad = at + int(np.flatnonzero(~np.isfinite(block).all(axis=1))[0])
        raise decode.not_a_number(name, bad / rate)


class _InFile:
    """A file that soundfile reads, from its sample `begin` on."""

    def __init__(
        self,
        path: Path,
        name: str,
        found: Probe,
        keep: list[int] | None,
        begin: int,
        checked: bool = False,
    ) -> None:
        self.rate: int = found.rate
        self.source: Source = found.source
        self.channels: int = len(keep) if keep else found.channels
        self.frames: int = max(0, found.frames - begin)
        self._name, self._keep, self._begin = name, keep, begin
        self._whole = found.frames
        self._checked = path if checked and found.source.format == "FLAC" else None
        held = ExitStack()
        self._file = held.enter_context(decode.opened(path, name))
        weakref.finalize(self, held.close)
        self._at = 0
        self._lock = threading.Lock()

    def span(self, first: int, last: int) -> Audio:
        out = np.zeros((last - first, self.channels))
        low, high = max(first, 0), min(last, self.frames)
        if high > low:
            out[low - first : high - first] = self._read(low, high - low, "float64")
        return out

    def blocks(self) -> Iterator[Block]:
        if self._checked is not None:
            yield from self._checked_blocks(self._checked)
            return
        for first in range(0, self.frames, _AT_A_TIME):
            yield self._read(first, min(_AT_A_TIME, self.frames - first), "float32")

    def _checked_blocks(self, path: Path) -> Iterator[Block]:
        of_sound = decode.FlacSum(path, self._name)
        for first in range(0, self._whole, _AT_A_TIME):
            count = min(_AT_A_TIME, self._whole - first)
            words = self._decoded(first, count, "int32")
            of_sound.add(words)
            if first + count > self._begin:
                wanted = words if self._keep is None else words[:, self._keep]
                wanted = wanted[max(0, self._begin - first) :]
                yield wanted.astype(np.float32) * np.float32(2.0**-31)
        of_sound.check()

    def _read(self, first: int, count: int, dtype: str) -> Any:
        samples = self._decoded(first + self._begin, count, dtype)
        if self._keep is not None:
            samples = samples[:, self._keep]
        _check_numbers(samples, first + self._begin, self.rate, self._name)
        return samples

    def _decoded(self, first: int, count: int, dtype: str) -> Any:
        """Samples of the file as it is, all channels."""
        import soundfile

        with self._lock:
            try:
                if self._at != first:
                    self._file.seek(first)
                samples = self._file.read(count, dtype=dtype, always_2d=True)
            except (soundfile.LibsndfileError, RuntimeError) as wrong:
                raise decode.damaged(self._name) from wrong
            self._at = first + len(samples)
        if len(samples) != count:
            raise BadInput(
                f"{self._name} is cut short: it promises {self._whole:,} frames, "
                f"and {first + len(samples):,} could be decoded.",
                hint=AGAIN,
            )
        return samples
