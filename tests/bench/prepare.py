"""How long preparing takes, as a ratio to reading and decoding the same files alone.

    python tests/bench/prepare.py [minutes] [takes] [excerpts]      (3 10 3 if none are given)

Takes of one invented performance, 48 kHz stereo, 24-bit FLAC, each with its own delay, clock and
noise; prepared as a study is: read, align to the first, cut every excerpt from every take. A second
line has takes half as long: the cost should halve. Nothing is asserted: read the table.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
import soxr
from scipy.signal import lfilter

from panel.audio import decode
from panel.audio.prepare import Span, TakeSound, align_takes, cut_clips

RATE = 48_000


def write_takes(folder: Path, seconds: float, count: int) -> list[Path]:
    rng = np.random.default_rng(1)
    n = round(seconds * RATE)
    swell = 0.4 + 0.6 * np.abs(np.sin(np.arange(n) * 4.4 / RATE))[:, None]
    played = swell * lfilter([0.05], [1, -0.95], rng.standard_normal((n, 2)), axis=0)
    played *= 0.1 / played.std()
    paths = []
    for i in range(count):
        take = soxr.resample(played, RATE * (1 + rng.normal(0, 5e-6)), RATE, "HQ")
        lead = np.zeros((int(rng.integers(RATE)), 2))
        take = np.concatenate((lead, take))
        take += 1e-4 * rng.standard_normal(take.shape)
        paths.append(folder / f"take{i}.flac")
        soundfile.write(paths[-1], take, RATE, subtype="PCM_24")
    return paths


def timed(seconds: float, takes: int, excerpts: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        paths = write_takes(Path(name), seconds, takes)
        begin = time.perf_counter()
        sounds = [decode.read(path) for path in paths]
        read = time.perf_counter() - begin
        begin = time.perf_counter()
        named = [TakeSound(path.name, sound) for path, sound in zip(paths, sounds, strict=True)]
        alignments = align_takes(named)
        aligned = time.perf_counter() - begin
        begin = time.perf_counter()
        for start in np.linspace(2, seconds - 10, excerpts):
            cut_clips(named, Span(float(start), float(start) + 6), alignments=alignments)
        cut = time.perf_counter() - begin
    print(
        f"{takes} takes of {seconds:g} s, {excerpts} excerpts of 6 s: read and decode {read:.2f} s,"
        f" align {aligned:.2f} s, cut {cut:.2f} s; all over reading alone:"
        f" {(read + aligned + cut) / read:.1f}"
    )


def main() -> None:
    given = [float(word) for word in sys.argv[1:]]
    minutes, takes, excerpts = (given + [3, 10, 3][len(given) :])[:3]
    timed(30 * minutes, int(takes), int(excerpts))
    timed(60 * minutes, int(takes), int(excerpts))


if __name__ == "__main__":
    main()
