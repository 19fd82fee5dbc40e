"""How fast loudness and true peak are, as ratios against peers measured in the same run.

    python tests/bench/loudness.py [seconds ...]        (30 180 if none are given)

Peers on the same sound (48 kHz, stereo, noise under a slow envelope):

- pyloudnorm (MIT), on the same array in memory: integrated loudness;
- the ebur128 filter of the ffmpeg that imageio-ffmpeg brings, on a 24-bit WAV. It decodes the file
  and works out momentary, short-term and range too; its time includes the program's start. Ours
  beside it: reading the same file by the block, integrated loudness and range. With peak=true it
  adds the true peak, and so do we.

Five runs each, in turns, all single-threaded: the median of the ratios turn by turn, and their
spread; by the clock and by processor time. Nothing is asserted: read the table.
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

from panel.audio.loudness import Meter, PeakMeter, integrated
from panel.audio.reading import files

RATE = 48_000
TURNS = 5


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
    recording = files.opened(path)
    meter = Meter(recording.rate, recording.channels)
    peaks = PeakMeter(recording.rate, recording.channels) if peak else None
    for block in recording.blocks():
        meter.add(block)
        if peaks is not None:
            peaks.add(block)
    if peaks is not None:
        peaks.db()
    meter.range_lu()
    return meter.integrated()


def now() -> np.ndarray:
    """By the clock, and of the processor, programs that were run counted; in seconds."""
    return np.array([time.perf_counter(), sum(os.times()[:4])])


def in_turns(calls: dict[str, Callable[[], float]]) -> dict[str, tuple[float, np.ndarray]]:
    """Name to value and seconds of every turn (turns, 2): a busy moment hits all alike."""
    out: dict[str, tuple[float, list[np.ndarray]]] = {name: (0.0, []) for name in calls}
    for _ in range(TURNS):
        for name, call in calls.items():
            begin = now()
            value = call()
            out[name] = (value, [*out[name][1], now() - begin])
    return {name: (value, np.array(took)) for name, (value, took) in out.items()}


def main() -> None:
    print("By the clock, and (in brackets) by processor time: what to go by on a busy machine.")
    for seconds in [float(word) for word in sys.argv[1:]] or [30.0, 180.0]:
        samples = sound(seconds)
        meter = pyloudnorm.Meter(RATE)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "sound.wav"
            soundfile.write(path, samples, RATE, subtype="PCM_24")
            found = in_turns(
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
            clock, processor = np.median(took, axis=0)
            print(
                f"  {name:28} {value:8.2f} LUFS {clock:8.3f} s ({processor:.3f} s)"
                f" {seconds / clock:8.0f} x real time"
            )
        for mine, theirs in (
            ("ours, array", "pyloudnorm, array"),
            ("ours, file", "ffmpeg ebur128, file"),
            ("ours, file and true peak", "ffmpeg ebur128, true peak"),
        ):
            # Processor time is counted in hundredths of a second.
            ratios = found[theirs][1] / np.maximum(found[mine][1], 0.005)
            clock, processor = (
                f"{np.median(each):.2f} ({each.min():.2f} to {each.max():.2f})" for each in ratios.T
            )
            print(f"  {mine}: times as fast as {theirs}: {clock}; by processor time {processor}")


if __name__ == "__main__":
    main()
