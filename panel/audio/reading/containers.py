"""Is a sound file whole? Checks that a decoder skips over in silence.

Decoders read what is there: a file cut short in a copy, or with a damaged header, comes back as
a shorter take without a word. These walks compare what a file promises with what it holds.
"""

import struct
from pathlib import Path
from typing import BinaryIO

from panel.errors import BadInput

AGAIN = "Copy or export the take again, and compare its size with the original."
_OPEN_ENDED = 0xFFFFFFFF  # written by programs that stream and never learn the length


_MAGIC: tuple[tuple[str, int, bytes], ...] = (
    ("flac", 0, b"fLaC"),
    ("caf", 0, b"caff"),
    ("ogg", 0, b"OggS"),
    ("mov", 4, b"ftyp"),
    ("matroska", 0, b"\x1a\x45\xdf\xa3"),
)
"""Kinds told by a word of their own: where it stands, and which it is."""


def kind(path: Path) -> str:
    """The file's kind by its first bytes; "" when it is none of those that are read."""
    with path.open("rb") as file:
        head = file.read(16)
        if head[:3] == b"ID3" and len(head) >= 10:  # a tag before the sound: look behind it
            size = 0
            for byte in head[6:10]:
                size = size << 7 | byte & 0x7F
            file.seek(10 + size)
            head = file.read(16)
            if head[:4] != b"fLaC" and not _is_adts(head):
                return "mp3"
    return _kind_of(head)


def _kind_of(head: bytes) -> str:
    if head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:12] == b"WAVE":
        return "wav"
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return "aiff"
    for name, at, word in _MAGIC:
        if head[at : at + len(word)] == word:
            return name
    if _is_adts(head):
        return "aac"
    return "mp3" if len(head) > 1 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 else ""


def _is_adts(head: bytes) -> bool:
    return len(head) > 1 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0


def check_whole(path: Path, kind_: str, name: str) -> None:
    """Raise BadInput where the container promises more than the file holds, or contradicts itself.

    `kind_` as given by `kind`; `name` is how the take is called in the sentence.
    """
    check = {"wav": _check_wav, "aiff": _check_aiff, "caf": _check_caf, "ogg": _check_ogg}
    if kind_ not in check:
        return
    with path.open("rb") as file:
        try:
            check[kind_](file, path.stat().st_size, name)
        except struct.error as ended:
            raise _damaged(name, "it ends in the middle of its header") from ended


def _cut_short(name: str, promised: int, there: int) -> BadInput:
    return BadInput(
        f"{name} is cut short: its header promises {promised:,} bytes of sound, "
        f"and {max(there, 0):,} are there.",
        hint=AGAIN,
    )


def _damaged(name: str, what: str) -> BadInput:
    return BadInput(f"{name} is damaged: {what}.", hint=AGAIN)


def _is_chunk_name(name: bytes) -> bool:
    return len(name) == 4 and all(0x20 <= byte < 0x7F for byte in name)


def _check_wav(file: BinaryIO, size: int, name: str) -> None:
    """RIFF, RF64 and BW64 (ITU-R BS.2088): chunk by chunk to the end of the file."""
    head = file.read(12)
    long = head[:4] in (b"RF64", b"BW64")
    unfinished = struct.unpack("<I", head[4:8])[0] <= 36
    at, data_seen, fmt_seen, data_size64 = 12, False, False, -1
    while at + 8 <= size:
        file.seek(at)
        chunk, length = struct.unpack("<4sI", file.read(8))
        if not _is_chunk_name(chunk):
            what = "something that is no chunk follows its sound"
            raise _damaged(name, what if data_seen else "its list of chunks cannot be followed")
        there = size - at - 8
        if chunk == b"ds64" and long and length >= 24:
            data_size64 = struct.unpack("<QQQ", file.read(24))[1]
        elif chunk == b"fmt " and not fmt_seen:
            fmt_seen = True
            _check_wav_format(file.read(min(length, 40)), name)
        elif chunk == b"data":
            length = _wav_data_length(length, data_size64 if long else None, there)
            _check_wav_data(length, there, unfinished, name)
            data_seen = True
        elif length > there:
            raise _damaged(name, "one of its chunks reaches past its end")
        at += 8 + length + (length & 1)
    if not fmt_seen:
        raise _damaged(name, "the chunk that describes its sound is missing")
    if not data_seen:
        raise _damaged(name, "the chunk that holds its sound is missing")


def _wav_data_length(told: int, long: int | None, there: int) -> int:
    """Bytes of sound; `long`: as told in 64 bits, -1 where that was not told, None in RIFF.

    A file that was streamed does not know: its sound goes on to the end of the file.
    """
    length = long if long is not None and told == _OPEN_ENDED else told
    return there if length in (_OPEN_ENDED, -1) else length


def _check_wav_data(length: int, there: int, unfinished: bool, name: str) -> None:
    """`unfinished`: the header tells of a file that ends with itself."""
    if length == 0 and there > 1 and unfinished:
        raise _damaged(name, "its header was never finished, so its length is unknown")
    if length > there:
        raise _cut_short(name, length, there)


def _check_wav_format(body: bytes, name: str) -> None:
    if len(body) < 16:
        raise _damaged(name, "the chunk that describes its sound is too short")
    tag, channels, rate, per_second, block, bits = struct.unpack("<HHIIHH", body[:16])
    if tag == 0xFFFE and len(body) >= 26:
        tag = struct.unpack("<H", body[24:26])[0]
    if channels == 0 or rate == 0:
        raise _damaged(name, "its header gives no channel or no sample rate")
    if tag in (1, 3):
        width = (bits + 7) // 8
        if bits == 0 or block != channels * width or per_second != rate * block:
            raise _damaged(name, "the figures in its header contradict each other")


def _check_aiff(file: BinaryIO, size: int, name: str) -> None:
    """AIFF and AIFF-C: the same walk, big-endian, and COMM's frames against SSND's bytes."""
    file.seek(8)
    compressed = file.read(4) == b"AIFC"
    at, promised, held = 12, -1, -1
    while at + 8 <= size:
        file.seek(at)
        chunk, length = struct.unpack(">4sI", file.read(8))
        if not _is_chunk_name(chunk):
            raise _damaged(name, "its list of chunks cannot be followed")
        body = at + 8
        if chunk == b"COMM":
            channels, frames, bits = struct.unpack(">hIh", file.read(8))
            coding = b"NONE"
            if compressed:
                file.read(10)
                coding = file.read(4)
            if coding in (b"NONE", b"twos", b"sowt", b"fl32", b"FL32", b"fl64", b"FL64"):
                promised = frames * channels * ((bits + 7) // 8)
        if chunk == b"SSND":
            if length > size - body:
                raise _cut_short(name, length - 8, size - body - 8)
            held = length - 8 - int(struct.unpack(">I", file.read(4))[0])
        elif length > size - body:
            raise _damaged(name, "one of its chunks reaches past its end")
        at = body + length + (length & 1)
    if held < 0:
        raise _damaged(name, "the chunk that holds its sound is missing")
    if promised >= 0 and held - promised not in (0, 1):  # 1: a pad byte counted in
        raise _damaged(name, "the figures in its header contradict each other")


def _check_caf(file: BinaryIO, size: int, name: str) -> None:
    """Core Audio Format: chunk sizes are signed 64-bit; -1 marks a last, open-ended data chunk."""
    at, data_seen, described = 8, False, False
    while at + 12 <= size:
        file.seek(at)
        chunk, length = struct.unpack(">4sq", file.read(12))
        if not _is_chunk_name(chunk) or length < -1:
            raise _damaged(name, "its list of chunks cannot be followed")
        body = at + 12
        if chunk == b"desc":
            described = True
            _check_caf_description(file.read(32), name)
        if chunk == b"data":
            if length == -1:
                length = size - body
            if length > size - body:
                raise _cut_short(name, length - 4, size - body - 4)
            data_seen = True
        elif length > size - body:
            raise _damaged(name, "one of its chunks reaches past its end")
        at = body + max(length, 0)
    if not (data_seen and described):
        raise _damaged(name, "the chunk that holds its sound is missing")


def _check_caf_description(body: bytes, name: str) -> None:
    if len(body) < 32:
        raise _damaged(name, "the chunk that describes its sound is too short")
    rate, coding, _, per_packet, _, channels, bits = struct.unpack(">d4sIIIII", body)
    if not rate > 0 or channels == 0:
        raise _damaged(name, "its header gives no channel or no sample rate")
    if coding == b"lpcm" and per_packet != channels * ((bits + 7) // 8):
        raise _damaged(name, "the figures in its header contradict each other")


def _check_ogg(file: BinaryIO, size: int, name: str) -> None:
    """RFC 3533: the last page of a finished stream carries the end-of-stream flag and is whole."""
    file.seek(max(0, size - 70_000))  # a page is at most 65,307 bytes
    tail = file.read()
    at = tail.rfind(b"OggS")
    if at < 0 or len(tail) < at + 27:
        raise _damaged(name, "its last page is missing; it may be cut short")
    segments = tail[at + 26]
    table = tail[at + 27 : at + 27 + segments]
    if len(table) < segments or len(tail) < at + 27 + segments + sum(table):
        raise _damaged(name, "its last page is cut short")
    if not tail[at + 5] & 4:
        raise _damaged(name, "its last page is missing; it is cut short")
