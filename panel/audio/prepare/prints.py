"""Prints: delivery copies of a clip, equal in sound and length, never equal in bytes.

Plain PCM, though FLAC would halve the traffic: how long a clip is when compressed differs from
take to take by more than from dither to dither, and padding to one length does not hide it, as
the length of the padding can be read without decoding. It would name the take.
"""

import struct

import numpy as np

from panel.audio.sound import Audio
from panel.errors import BadInput

FULL = 2**23


def wav24(samples: Audio, rate: int, rng: np.random.Generator) -> bytes:
    """A 24-bit PCM WAV of `samples` (frames, channels) with TPDF dither of its own.

    44 bytes of header and nothing but sound after it; equal frames give equal lengths. The
    dither is triangular, 2 LSB wide, drawn anew from `rng` (Lipshitz, Wannamaker & Vanderkooy
    1992, J. Audio Eng. Soc. 40): equal bytes would tell a listener that X is A. Raises BadInput
    for samples above full scale.
    """
    if samples.size and float(np.abs(samples).max()) > 1.0:
        raise BadInput(
            "A clip passes full scale and would be clipped in its print.",
            hint="Prepare the excerpt again; preparation keeps the true peak at -1 dBTP.",
        )
    dither = rng.random(samples.shape, dtype=np.float32)
    dither -= rng.random(samples.shape, dtype=np.float32)
    words = samples * FULL
    words += dither
    np.rint(words, out=words)
    np.clip(words, -FULL, FULL - 1, out=words)
    little = words.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3]
    frames, channels = samples.shape
    size = frames * channels * 3
    header = struct.pack(
        "<4sI4s4sIHHIIHH4sI",
        b"RIFF", 36 + size + (size & 1), b"WAVE", b"fmt ", 16, 1, channels, rate,
        rate * channels * 3, channels * 3, 24, b"data", size,
    )  # fmt: skip
    return header + little.tobytes() + (b"\0" if size & 1 else b"")
