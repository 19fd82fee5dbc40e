"""How fast loudness and true peak are, as ratios against peers measured in the same run.

    python tests/bench/loudness.py [seconds ...]        (30 180 if none are given)

Peers on the same sound (48 kHz, stereo, noise under a slow envelope):

- pyloudnorm (MIT), on the same array in memory: integrated loudness;
- the ebur128 filter of the ffmpeg that imageio-ffmpeg brings, on a 24-bit WAV. It decodes the file
  and works out momentary, short-term and range too; its time includes the program's start. Ours
  beside it: reading the same file and integrated loudness. With peak=true it adds the true peak,
  and so do we.

The best of three runs each, in turns, all single-threaded. Nothing is asserted: read the table.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile
from imageio_ffmpeg import get_ffmpeg_exe

from panel.audio import decode
from panel.audio.loudness import integrated, true_peak_db

RATE = 48_000
TURNS = 3


def sound(seconds: float) -> np.ndarray:
    rng = np.random.default_rng(1)
    n = round(seconds * RATE)
    swell = 0.3 + 0.7 * np.abs(np.sin(np.arange(n) / RATE))[:, None]
    return 0.1 * swell * rng.standard_normal((n, 2))


def by_ffmpeg(path: Path, peak: str) -> float:
    command = [
        get_ffmpeg_exe(), "-hide_banner", "-nostdin", "-nostats", "-threads", "1", "-i", str(path),
        "-filter_threads", "1", "-af", f"ebur128=framelog=verbose{peak}", "-f", "null", "-",
    ]  # fmt: skip
    told = subprocess.run(command, stderr=subprocess.PIPE, check=True).stderr.decode()
    return float(re.findall(r"I:\s+(-?[\d.]+) LUFS", told)[-1])


def ours(path: Path, *, peak: bool) -> float:
    read = decode.read(path)
    if peak:
        true_peak_db(read.samples, read.rate)
    return integrated(read.samples, read.rate)


def best(calls: dict[str, Callable[[], float]]) -> dict[str, tuple[float, float]]:
    """Name to (value, best seconds); the calls take turns, so that a busy moment hits all."""
    out: dict[str, tuple[float, float]] = {}
    for _ in range(TURNS):
        for name, call in calls.items():
            begin = time.perf_counter()
            value = call()
            took = time.perf_counter() - begin
            out[name] = (value, min(took, out.get(name, (0.0, np.inf))[1]))
    return out


def main() -> None:
    for seconds in [float(word) for word in sys.argv[1:]] or [30.0, 180.0]:
        samples = sound(seconds)
        meter = pyloudnorm.Meter(RATE)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "sound.wav"
            soundfile.write(path, samples, RATE, subtype="PCM_24")
            found = best(
                {
                    "ours, array": lambda s=samples: integrated(s, RATE),
                    "pyloudnorm, array": lambda s=samples, m=meter: m.integrated_loudness(s),
                    "ours, file": lambda p=path: ours(p, peak=False),
                    "ffmpeg ebur128, file": lambda p=path: by_ffmpeg(p, ""),
                    "ours, file and true peak": lambda p=path: ours(p, peak=True),
                    "ffmpeg ebur128, true peak": lambda p=path: by_ffmpeg(p, ":peak=true"),
                }
            )
        print(f"\n{seconds:g} s of sound")
        for name, (value, took) in found.items():
            print(f"  {name:28} {value:8.2f} LUFS {took:8.3f} s {seconds / took:8.0f} x real time")
        for mine, theirs in (
            ("ours, array", "pyloudnorm, array"),
            ("ours, file", "ffmpeg ebur128, file"),
            ("ours, file and true peak", "ffmpeg ebur128, true peak"),
        ):
            ratio = found[theirs][1] / found[mine][1]
            print(f"  {mine}: {ratio:.2f} times as fast as {theirs}")


if __name__ == "__main__":
    main()
