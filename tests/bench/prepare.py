"""How long preparing takes, as a ratio to reading and decoding the same files alone.

    python tests/bench/prepare.py [minutes] [takes] [excerpts] [turns]   (3 10 3 3 if none given)

Takes of one invented performance, 48 kHz stereo, 24-bit FLAC, each with its own delay, clock and
noise; prepared as a study is: survey, align to the first, cut every excerpt from every take. Also
at a quarter and half that length, for how the cost grows. By processor time, all threads together,
and by the clock. Nothing is asserted: read the table.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
import soxr
from scipy.signal import lfilter

from panel.audio.prepare.clips import Span, TakeInFile, align_takes, cut_clips
from panel.audio.reading import decode, files

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


def now() -> np.ndarray:
    return np.array([time.perf_counter(), time.process_time()])


def timed(seconds: float, takes: int, excerpts: int) -> tuple[np.ndarray, np.ndarray]:
    """Seconds by the clock and of the processor to read and decode all takes whole, and to
    prepare them as a study is."""
    with tempfile.TemporaryDirectory() as name:
        paths = write_takes(Path(name), seconds, takes)
        begin = now()
        for path in paths:
            decode.read(path)
        read = now() - begin
        begin = now()
        named = [TakeInFile(path.name, files.opened(path)) for path in paths]
        alignments = align_takes(named)
        aligned = now() - begin
        for start in np.linspace(2, seconds - 10, excerpts):
            cut_clips(named, Span(float(start), float(start) + 6), alignments=alignments)
        prepared = now() - begin
    print(
        f"  {seconds:5g} s, clock (processor): read and decode {read[0]:.2f} ({read[1]:.2f}),"
        f" prepare {prepared[0]:.2f} ({prepared[1]:.2f}), of that survey and align"
        f" {aligned[0]:.2f} ({aligned[1]:.2f})",
        flush=True,
    )
    return read, prepared


def told(ratios: list[float]) -> str:
    low, middle, high = min(ratios), statistics.median(ratios), max(ratios)
    return f"{middle:.2f} ({low:.2f} to {high:.2f})"


def main() -> None:
    given = [float(word) for word in sys.argv[1:]]
    minutes, takes, excerpts, turns = (given + [3, 10, 3, 3][len(given) :])[:4]
    lengths = [15 * minutes, 30 * minutes, 60 * minutes]
    print(f"{takes:g} takes, {excerpts:g} excerpts of 6 s, {turns:g} turns; {os.cpu_count()} cores")
    timed(20, 2, 1)  # imports
    found = [[timed(s, int(takes), int(excerpts)) for s in lengths] for _ in range(int(turns))]
    for which, by in ((1, "processor time"), (0, "the clock")):
        print(f"\nBy {by}: prepare over reading alone, median (least to most):")
        for i, seconds in enumerate(lengths):
            print(f"  {seconds:5g} s: {told([t[i][1][which] / t[i][0][which] for t in found])}")
        print("twice as long, how many times the cost (2 is linear):")
        for i in (1, 2):
            ratio = told([t[i][1][which] / t[i - 1][1][which] for t in found])
            print(f"  {lengths[i]:g} s over {lengths[i - 1]:g} s: {ratio}")


if __name__ == "__main__":
    main()
