"""Decoding by the program that the imageio-ffmpeg package brings: AAC, M4A, Matroska.

The program opens other files when a text asks it to, so it is given a whitelist of formats and
protocols, a time limit and a byte limit, and only sees files whose first bytes are right.
"""

import re
import struct
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from panel.audio.reading.containers import AGAIN
from panel.audio.sound import Audio, Probe, Source
from panel.errors import BadInput, TooLarge

FORMATS = "mov,aac,matroska"
LOSSLESS = {"alac", "flac", "wavpack", "tta"}
TIME_LIMIT_S = 120
MOST_BYTES = 2**33
_AT_A_TIME = 2**16
_STREAM = re.compile(r"Stream #0:\d+.*?: Audio: (\w+)(.*)")
_RATE = re.compile(r"(\d+) Hz")
_DURATION = re.compile(r"Duration: (\d+):(\d\d):(\d\d(?:\.\d+)?)")
_LAYOUTS = {"mono": 1, "stereo": 2, "downmix": 2, "quad": 4, "hexagonal": 6, "octagonal": 8}
_WORD = {"u8": 8, "s16": 16, "s32": 32, "flt": 32, "dbl": 64}


def _command(path: Path) -> list[str]:
    from imageio_ffmpeg import get_ffmpeg_exe

    return [
        get_ffmpeg_exe(), "-hide_banner", "-nostdin", "-nostats", "-v", "info", "-xerror",
        "-protocol_whitelist", "file,pipe", "-format_whitelist", FORMATS,
        "-i", f"file:{path.resolve()}",
    ]  # fmt: skip


def _run(command: list[str], stdout: int | None, name: str) -> tuple[int, str]:
    try:
        done = subprocess.run(
            command, stdout=stdout, stderr=subprocess.PIPE, timeout=TIME_LIMIT_S, check=False
        )
    except subprocess.TimeoutExpired as late:
        raise TooLarge(
            f"{name} took longer than {TIME_LIMIT_S} seconds to decode.",
            hint="Send a shorter excerpt, or the original WAV, AIFF or FLAC.",
        ) from late
    except OSError as missing:
        raise BadInput(
            f"{name} needs the bundled decoder, and it is not there.",
            hint="Reinstall the package imageio-ffmpeg, or send WAV, AIFF or FLAC.",
        ) from missing
    return done.returncode, done.stderr.decode("utf-8", "replace")


def probe(path: Path, name: str) -> Probe:
    """What the bundled decoder says of a file. Raises BadInput when it finds no sound in it."""
    _, told = _run(_command(path), subprocess.DEVNULL, name)
    stream, duration = _STREAM.search(told), _DURATION.search(told)
    rate = _RATE.search(stream[2]) if stream else None
    if stream is None or rate is None:
        raise BadInput(
            f"{name} holds no sound that can be decoded.", hint="Send WAV, AIFF, FLAC or M4A."
        )
    hours, minutes, seconds = duration.groups() if duration else ("0", "0", "0")
    length = 3600 * int(hours) + 60 * int(minutes) + float(seconds)
    channels = _channels(stream[2].split("Hz,")[1].split(",")[0].strip())
    word = next((_WORD[w] for w in _WORD if re.search(rf"\b{w}p?\b", stream[2])), None)
    lossy = stream[1] not in LOSSLESS
    bits = re.search(r"\((\d+) bit\)", stream[2])
    return Probe(
        Source(
            "M4A" if b"ftyp" in _head(path) else "AAC" if _head(path)[0] == 0xFF else "Matroska",
            stream[1].upper(),
            None if lossy else int(bits[1]) if bits else word,
            lossy,
        ),
        round(length * int(rate[1])),
        int(rate[1]),
        channels,
    )


def _channels(layout: str) -> int:
    """How many channels a layout has, as the decoder writes it: `stereo`, `5.1(side)`, `4.0`,
    `7 channels`."""
    name = layout.split("(")[0].strip()
    if name in _LAYOUTS:
        return _LAYOUTS[name]
    counted = re.match(r"(\d+) channels", layout)
    return int(counted[1]) if counted else sum(map(int, re.findall(r"\d+", name))) or 2


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(12)


def decode(path: Path, name: str, longest_s: float, most_bytes: int) -> tuple[Audio, int]:
    """All samples, float64 (frames, channels), and the rate in Hz.

    Raises BadInput for a damaged file, TooLarge past a limit.
    """
    with decoding(path, name, longest_s, "f64", most_bytes) as (rate, channels, blocks):
        whole = [np.zeros((0, channels)), *blocks]
    return np.concatenate(whole).astype(np.float64, copy=False), rate


@contextmanager
def decoding(
    path: Path, name: str, longest_s: float, word: str = "f32", most_bytes: int = MOST_BYTES
) -> Iterator[tuple[int, int, Iterator[NDArray[np.floating]]]]:
    """The rate in Hz, how many channels there are, and all samples in blocks (frames, channels),
    float32 or ("f64") float64; decoded into a temporary file first.

    Raises BadInput for a damaged file, TooLarge past a limit.
    """
    with tempfile.TemporaryFile() as out:
        command = [
            *_command(path), "-map", "0:a:0", "-t", str(longest_s + 1), "-fs", str(most_bytes),
            "-c:a", f"pcm_{word}le", "-f", "wav", "pipe:1",
        ]  # fmt: skip
        code, told = _run(command, out.fileno(), name)
        if code != 0 or "partial file" in told or "Invalid data" in told:
            raise BadInput(f"{name} is damaged or cut short: it could not be decoded.", hint=AGAIN)
        size = out.seek(0, 2)
        if size >= most_bytes - 65_536:
            raise TooLarge(f"{name} is too long to be read at once.", hint="Send a shorter take.")
        out.seek(0)
        head = out.read(12)
        rate = channels = 0
        while len(header := out.read(8)) == 8:
            chunk, length = struct.unpack("<4sI", header)
            if chunk == b"fmt ":
                body = out.read(length)
                channels, rate = struct.unpack("<HI", body[2:8])
            elif chunk == b"data":
                break
            else:
                out.seek(length + (length & 1), 1)
        if head[:4] != b"RIFF" or not rate:
            raise BadInput(f"{name} could not be decoded.", hint=AGAIN)
        yield rate, channels, _blocks(out, channels, word)


def _blocks(out: IO[bytes], channels: int, word: str) -> Iterator[NDArray[np.floating]]:
    width = int(word[1:]) // 8
    # Read rather than mapped: the temporary file goes away.
    while held := out.read(_AT_A_TIME * channels * width):
        frames = len(held) // (channels * width)
        flat = np.frombuffer(held, dtype=f"<f{width}", count=frames * channels)
        yield flat.reshape(frames, channels)
