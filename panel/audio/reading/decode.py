"""Reading takes: any usual sound file to float64, losslessly, or a plain refusal.

Content decides what a file is, never its name. soundfile (libsndfile) reads WAV, RF64, AIFF,
CAF, FLAC, MP3, Ogg Vorbis and Opus; the bundled decoder reads AAC and M4A.
"""

import hashlib
import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from panel.audio.limits import LONGEST_TAKE_MINUTES
from panel.audio.reading import bundled
from panel.audio.reading.containers import AGAIN, check_whole, kind
from panel.audio.sound import Audio, Probe, Sound, Source
from panel.errors import BadInput, TooLarge

if TYPE_CHECKING:
    import soundfile
    from _typeshed import WriteableBuffer

__all__ = ["LONGEST_S", "Audio", "Probe", "Sound", "Source", "probe", "read"]

LONGEST_S = LONGEST_TAKE_MINUTES * 60.0
"""The longest take there may be, in seconds."""

MOST_BYTES = 4 * 2**30
"""The most memory that one take's float64 samples may need."""

RATES = (8_000, 192_000)
_BITS = {
    "PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64,
    "ALAC_16": 16, "ALAC_20": 20, "ALAC_24": 24, "ALAC_32": 32,
}  # fmt: skip
BY_SOUNDFILE = {"WAV", "WAVEX", "RF64", "AIFF", "FLAC", "CAF", "OGG", "MP3"}
_BY_BUNDLED = {"mov", "aac", "matroska"}
_KNOWN = "WAV, AIFF, FLAC, CAF, MP3, M4A, Ogg or Opus"


def probe(path: Path, *, name: str = "") -> Probe:
    """What the file says of itself; reads headers only.

    Raises BadInput when it is empty, no sound file, or not whole; TooLarge when it is too long.
    `name` is how the take is called in sentences (default: the file's name).
    """
    name = called(path, name)
    kind_ = _kind(path, name)
    found = bundled.probe(path, name) if kind_ in _BY_BUNDLED else _probe_plain(path, kind_, name)
    if not RATES[0] <= found.rate <= RATES[1]:
        raise BadInput(
            f"{name} has a sample rate of {found.rate:,} Hz; from 8,000 to 192,000 Hz can be read.",
            hint="Export it at 44,100 or 48,000 Hz.",
        )
    if found.seconds > LONGEST_S:
        raise TooLarge(
            f"{name} lasts {_duration(found.seconds)}; "
            f"a take may last at most {_duration(LONGEST_S)}.",
            hint="Cut out the part that is to be compared, and send that.",
        )
    return found


def read(path: Path, *, channels: Sequence[int] | None = None, name: str = "") -> Sound:
    """Decode a whole file.

    `channels`: the one or two channels to keep, counted from 1; needed for files with more than
    two. Values above full scale in float files are kept. Raises BadInput (a sentence) for what
    is empty, no sound, cut short, damaged, not a number, or has more channels than were chosen;
    TooLarge for what is too long.
    """
    name = called(path, name)
    found = probe(path, name=name)
    keep = chosen(found.channels, channels, name)
    if found.frames * found.channels * 8 > MOST_BYTES:
        raise TooLarge(
            f"{name} lasts {_duration(found.seconds)}, which is too long to be read at once.",
            hint="Cut out the part that is to be compared, and send that.",
        )
    kind_ = kind(path)
    if kind_ in _BY_BUNDLED:
        samples, rate = bundled.decode(path, name, LONGEST_S, MOST_BYTES)
        if samples.shape[1] != found.channels:
            keep = chosen(samples.shape[1], channels, name)
    else:
        samples, rate = _read_plain(path, name, found)
    if samples.shape[0] == 0:
        raise without_sound(name)
    if keep is not None:
        samples = samples[:, keep]
    if not np.isfinite(samples).all():
        bad = int(np.flatnonzero(~np.isfinite(samples).all(axis=1))[0])
        raise not_a_number(name, bad / rate)
    return Sound(np.ascontiguousarray(samples), rate, found.source)


def without_sound(name: str) -> BadInput:
    return BadInput(
        f"{name} holds no sound: it has zero frames.", hint="Record or export it again."
    )


def not_a_number(name: str, at_s: float) -> BadInput:
    return BadInput(
        f"{name} holds samples that are not numbers, the first at {at_s:.3f} s.",
        hint="Export the take again as integer PCM, or mend the plug-in that wrote it.",
    )


def damaged(name: str) -> BadInput:
    return BadInput(f"{name} is damaged or cut short: it could not be decoded.", hint=AGAIN)


def called(path: Path, name: str) -> str:
    return name or f'"{path.name}"'


def _kind(path: Path, name: str) -> str:
    try:
        size = path.stat().st_size
        found = kind(path) if path.is_file() and size else ""
    except OSError as gone:
        raise BadInput(f"{name} cannot be opened.", hint="Check the path.") from gone
    if not path.is_file():
        raise BadInput(f"{name} is not a file.", hint="Choose a sound file.")
    if size == 0:
        raise BadInput(
            f"{name} is empty (0 bytes).", hint="Send it again; the copy may have failed."
        )
    if not found:
        raise BadInput(f"{name} is not a sound file that can be read.", hint=f"Send {_KNOWN}.")
    return found


def _probe_plain(path: Path, kind_: str, name: str) -> Probe:
    check_whole(path, kind_, name)
    with opened(path, name) as file:
        bits = _BITS.get(file.subtype)
        lossy = bits is None or file.format in ("OGG", "MP3")
        source = Source(file.format, file.subtype, bits, lossy)
        if kind_ == "flac" and file.frames >= 2**62:  # libsndfile: length unknown
            raise BadInput(f"{name} does not state its length.", hint="Export the FLAC file again.")
        return Probe(source, file.frames, file.samplerate, file.channels)


@contextmanager
def opened(path: Path, name: str) -> Iterator["soundfile.SoundFile"]:
    """A file opened by content: the descriptor hides the name, and is closed in every case."""
    import soundfile

    with _AsRf64(path) if _is_bw64(path) else path.open("rb") as stream:
        given = stream if isinstance(stream, _AsRf64) else stream.fileno()
        try:
            file = soundfile.SoundFile(given, closefd=False)
        except (soundfile.LibsndfileError, TypeError, ValueError) as wrong:
            raise BadInput(
                f"{name} is damaged, or is not a sound file that can be read.",
                hint=f"Send {_KNOWN}. {AGAIN}",
            ) from wrong
        with file:
            if file.format not in BY_SOUNDFILE:
                raise BadInput(
                    f"{name} is not a sound file that can be read.", hint=f"Send {_KNOWN}."
                )
            yield file


class _AsRf64(io.FileIO):
    """A BW64 file under the name that libsndfile knows: the two long forms of WAV differ in
    their first four bytes (ITU-R BS.2088-1, annex 1; EBU Tech 3306)."""

    def readinto(self, buffer: "WriteableBuffer") -> int:
        at = self.tell()
        count = super().readinto(buffer) or 0
        named = b"RF64"[at : at + count]
        memoryview(buffer).cast("B")[: len(named)] = named
        return count


def _is_bw64(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"BW64"


def _read_plain(path: Path, name: str, found: Probe) -> tuple[Audio, int]:
    import soundfile

    with opened(path, name) as file:
        try:
            if file.format == "FLAC":
                words = file.read(found.frames, dtype="int32", always_2d=True)
                of_sound = FlacSum(path, name)
                of_sound.add(words)
                of_sound.check()
                samples = words / float(2**31)
            else:
                # With a length, as some codings (GSM 6.10) cannot be sought in.
                samples = file.read(found.frames, dtype="float64", always_2d=True)
        except (soundfile.LibsndfileError, RuntimeError, MemoryError) as wrong:
            raise damaged(name) from wrong
    if samples.shape[0] != found.frames:
        raise BadInput(
            f"{name} is cut short: it promises {found.frames:,} frames, "
            f"and {samples.shape[0]:,} could be decoded.",
            hint=AGAIN,
        )
    return samples, found.rate


class FlacSum:
    """The MD5 of the sound against the one that STREAMINFO carries (RFC 9639, section 8.2).

    libsndfile passes over frames whose checksum is wrong; this does not. `add` all samples in
    order, as int32 filled from the top; then `check`.
    """

    def __init__(self, path: Path, name: str) -> None:
        self.name = name
        with path.open("rb") as file:
            head = file.read(10)
            start = 0
            if head[:3] == b"ID3":
                for byte in head[6:10]:
                    start = start << 7 | byte & 0x7F
                start += 10
            file.seek(start)
            block = file.read(42)
        if len(block) < 42 or block[4] & 0x7F != 0:
            raise BadInput(f"{name} is damaged: its header is missing.", hint=AGAIN)
        info, self.expected = block[8:], block[26:42]
        self.bits = ((info[12] & 1) << 4 | info[13] >> 4) + 1
        self.sum = hashlib.md5(usedforsecurity=False)

    def add(self, words: NDArray[np.int32]) -> None:
        width = (self.bits + 7) // 8
        little = np.ascontiguousarray(words >> (32 - self.bits)).astype("<i4", copy=False)
        packed = little.view(np.uint8).reshape(-1, 4)[:, :width]
        self.sum.update(np.ascontiguousarray(packed).data)

    def check(self) -> None:
        """Raises BadInput where they differ; a sum of zeros means that the writer did not know."""
        if self.expected not in (bytes(16), self.sum.digest()):
            raise BadInput(
                f"{self.name} is damaged or cut short: its sound does not match its own checksum.",
                hint=AGAIN,
            )


def chosen(there: int, wanted: Sequence[int] | None, name: str) -> list[int] | None:
    """The channels to keep, counted from 0; None for all. Raises BadInput where they must be or
    were wrongly chosen."""
    if wanted is None:
        if there > 2:
            raise BadInput(
                f"{name} has {there} channels; one or two can be compared.",
                hint=f"Choose two of its channels, 1 to {there}.",
            )
        return None
    if not 1 <= len(wanted) <= 2 or any(not 1 <= number <= there for number in wanted):
        raise BadInput(
            f"{name} has channels 1 to {there}, not {', '.join(map(str, wanted)) or 'none'}.",
            hint="Choose one or two of them.",
        )
    return [number - 1 for number in wanted]


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} hours"
    if minutes:
        return f"{minutes} min {rest} s" if rest else f"{minutes} minutes"
    return f"{rest} s"
