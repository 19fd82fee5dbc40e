"""How much memory an hour takes: one recording, taken in, aligned and cut.

    python tests/bench/long_take.py [minutes]        (60 if none are given)

Two takes of so many minutes, 96 kHz, stereo, 24 bits (an RF64 file of some 2 GB each, made by
repeating a minute of noise, shifted and at another level each time); looked through for a leader
and described as at intake, aligned to each other and cut, in a process of their own whose greatest
resident memory is read at its end (Linux: ru_maxrss). The goal is 1 GiB. Nothing is asserted: read
the line.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

RATE = 96_000


def write(path: Path, seconds: float, lead: int) -> None:
    """The same invented hour each time, `lead` frames later: minutes that differ, cheaply made."""
    rng = np.random.default_rng(1)
    minute = rng.standard_normal((60 * RATE, 2)).astype(np.float32) * np.float32(0.05)
    left = round(seconds * RATE)
    with soundfile.SoundFile(path, "w", RATE, 2, "PCM_24", format="RF64") as file:
        file.write(np.zeros((lead, 2)))
        number = 0
        while left > 0:
            number += 1
            part = np.roll(minute, 977 * number * number, axis=0)[:left]
            file.write(part * np.float32(0.3 + 0.7 * abs(np.sin(number))))
            left -= len(part)


def prepare(first: Path, second: Path, seconds: float) -> None:
    from panel.audio.intake import description
    from panel.audio.leader import find
    from panel.audio.prepare.clips import Span, TakeInFile, align_takes, cut_clips
    from panel.audio.reading import files

    def peak() -> str:
        return f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**10:.0f} MiB"

    begin = time.perf_counter()
    whole = files.opened(first)
    find.find_in(whole)
    print(f"  looked through for a leader: {time.perf_counter() - begin:.1f} s, {peak()}")
    described = description.of(whole, 800)
    print(f"  described ({described.lufs:.2f} LUFS): {time.perf_counter() - begin:.1f} s, {peak()}")
    takes = [TakeInFile(path.name, files.opened(path)) for path in (first, second)]
    found = align_takes(takes)
    print(
        f"  aligned ({found[1].delay_samples:.3f}): {time.perf_counter() - begin:.1f} s, {peak()}"
    )
    cut_clips(takes, Span(seconds - 30, seconds - 24), alignments=found)
    print(f"  cut: {time.perf_counter() - begin:.1f} s in all, {peak()} resident at most")


def main() -> None:
    if len(sys.argv) == 4:
        prepare(Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]))
        return
    seconds = 60 * float(sys.argv[1] if len(sys.argv) > 1 else 60)
    with tempfile.TemporaryDirectory() as name:
        paths = [Path(name) / "first.wav", Path(name) / "second.wav"]
        for path, lead in zip(paths, (0, 12_345), strict=True):
            write(path, seconds, lead)
        size = paths[0].stat().st_size / 2**20
        print(f"two takes of {seconds / 60:g} minutes, {size:.0f} MiB each", flush=True)
        command = [sys.executable, __file__, *map(str, paths), str(seconds)]
        subprocess.run(command, check=True)


if __name__ == "__main__":
    main()
