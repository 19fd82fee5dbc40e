"""Reading takes: any usual sound file to float64, losslessly, or a plain refusal.

Content decides what a file is, never its name. soundfile (libsndfile) reads WAV, RF64, AIFF,
CAF, FLAC, MP3, Ogg Vorbis and Opus; the bundled decoder reads AAC and M4A.
"""

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from panel.audio import bundled
from panel.audio.containers import AGAIN, check_whole, kind
from panel.audio.sound import Audio, Probe, Sound, Source
from panel.errors import BadInput, TooLarge

__all__ = ["LONGEST_S", "Audio", "Probe", "Sound", "Source", "probe", "read"]

LONGEST_S = 1800.0
"""The longest take that is read, in seconds."""

MOST_BYTES = 4 * 2**30
"""The most memory that one take's float64 samples may need."""

RATES = (8_000, 192_000)
_BITS = {
    "PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64,
    "ALAC_16": 16, "ALAC_20": 20, "ALAC_24": 24, "ALAC_32": 32,
}  # fmt: skip
_FORMATS = {"WAV", "WAVEX", "RF64", "AIFF", "FLAC", "CAF", "OGG", "MP3"}
_BY_BUNDLED = {"mov", "aac", "matroska"}
_KNOWN = "WAV, AIFF, FLAC, CAF, MP3, M4A, Ogg or Opus"


def probe(path: Path, *, name: str = "") -> Probe:
    """What the file says of itself; reads headers only.

    Raises BadInput when it is empty, no sound file, or not whole; TooLarge when it is too long.
    `name` is how the take is called in sentences (default: the file's name).
    """
    name = _called(path, name)
    kind_ = _kind(path, name)
    found = bundled.probe(path, name) if kind_ in _BY_BUNDLED else _probe_plain(path, kind_, name)
    if not RATES[0] <= found.rate <= RATES[1]:
        raise BadInput(
            f"{name} has a sample rate of {found.rate:,} Hz; from 8,000 to 192,000 Hz can be read.",
            hint="Export it at 44,100 or 48,000 Hz.",
        )
    if found.seconds > LONGEST_S or found.frames * found.channels * 8 > MOST_BYTES:
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
    name = _called(path, name)
    found = probe(path, name=name)
    keep = _chosen(found.channels, channels, name)
    kind_ = kind(path)
    if kind_ in _BY_BUNDLED:
        samples, rate = bundled.decode(path, name, LONGEST_S, MOST_BYTES)
        if samples.shape[1] != found.channels:
            keep = _chosen(samples.shape[1], channels, name)
    else:
        samples, rate = _read_plain(path, name, found)
    if samples.shape[0] == 0:
        raise BadInput(
            f"{name} holds no sound: it has zero frames.", hint="Record or export it again."
        )
    if keep is not None:
        samples = samples[:, keep]
    if not np.isfinite(samples).all():
        bad = int(np.flatnonzero(~np.isfinite(samples).all(axis=1))[0])
        raise BadInput(
            f"{name} holds samples that are not numbers, the first at {bad / rate:.3f} s.",
            hint="Export the take again as integer PCM, or mend the plug-in that wrote it.",
        )
    return Sound(np.ascontiguousarray(samples), rate, found.source)


def _called(path: Path, name: str) -> str:
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
    with _opened(path, name) as file:
        bits = _BITS.get(file.subtype)
        lossy = bits is None or file.format in ("OGG", "MP3")
        source = Source(file.format, file.subtype, bits, lossy)
        if kind_ == "flac" and file.frames >= 2**62:  # libsndfile: length unknown
            raise BadInput(f"{name} does not state its length.", hint="Export the FLAC file again.")
        return Probe(source, file.frames, file.samplerate, file.channels)


class _opened:  # noqa: N801 - used as a verb
    """A file opened by content: the descriptor hides the name, and is closed in every case."""

    def __init__(self, path: Path, name: str) -> None:
        self.path, self.name = path, name

    def __enter__(self) -> Any:
        import soundfile

        self.fd = os.open(self.path, os.O_RDONLY)
        try:
            self.file = soundfile.SoundFile(self.fd, closefd=False)
        except (soundfile.LibsndfileError, TypeError, ValueError) as wrong:
            os.close(self.fd)
            raise BadInput(
                f"{self.name} is damaged, or is not a sound file that can be read.",
                hint=f"Send {_KNOWN}. {AGAIN}",
            ) from wrong
        if self.file.format not in _FORMATS:
            self.__exit__()
            raise BadInput(
                f"{self.name} is not a sound file that can be read.", hint=f"Send {_KNOWN}."
            )
        return self.file

    def __exit__(self, *_: object) -> None:
        self.file.close()
        os.close(self.fd)


def _read_plain(path: Path, name: str, found: Probe) -> tuple[Audio, int]:
    import soundfile

    damaged = BadInput(f"{name} is damaged or cut short: it could not be decoded.", hint=AGAIN)
    with _opened(path, name) as file:
        try:
            if file.format == "FLAC":
                words = file.read(dtype="int32", always_2d=True)
                _check_flac(path, words, name)
                samples = words / float(2**31)
            else:
                samples = file.read(dtype="float64", always_2d=True)
        except (soundfile.LibsndfileError, RuntimeError, MemoryError) as wrong:
            raise damaged from wrong
    if samples.shape[0] != found.frames:
        raise BadInput(
            f"{name} is cut short: it promises {found.frames:,} frames, "
            f"and {samples.shape[0]:,} could be decoded.",
            hint=AGAIN,
        )
    return samples, found.rate


def _check_flac(path: Path, words: np.ndarray[Any, np.dtype[np.int32]], name: str) -> None:
    """Compare with the MD5 of the sound that STREAMINFO carries (RFC 9639, section 8.2).

    libsndfile passes over frames whose checksum is wrong; this does not.
    """
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
    info, expected = block[8:], block[26:42]
    bits = ((info[12] & 1) << 4 | info[13] >> 4) + 1
    width = (bits + 7) // 8
    if expected == bytes(16):
        return  # allowed: the writer did not know
    little = np.ascontiguousarray(words >> (32 - bits)).astype("<i4", copy=False)
    packed = little.view(np.uint8).reshape(-1, 4)[:, :width]
    if (
        hashlib.md5(np.ascontiguousarray(packed).tobytes(), usedforsecurity=False).digest()
        != expected
    ):
        raise BadInput(
            f"{name} is damaged or cut short: its sound does not match its own checksum.",
            hint=AGAIN,
        )


def _chosen(there: int, wanted: Sequence[int] | None, name: str) -> list[int] | None:
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
        return f"{hours} h {minutes} min"
    if minutes:
        return f"{minutes} min {rest} s" if rest else f"{minutes} minutes"
    return f"{rest} s"
