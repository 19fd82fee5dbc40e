"""A take is never held whole: memory grows with what is cut, and hardly with the take."""

import subprocess
import sys

import numpy as np
import pytest
import soundfile

RATE = 96_000
MINUTES = 4
PROGRAM = """
import resource, sys
from pathlib import Path
import numpy, scipy.fft, scipy.ndimage, scipy.signal, scipy.special, soundfile, soxr
from panel.audio.intake import description
from panel.audio.leader import find
from panel.audio.reading import files
from panel.audio.prepare.clips import Span, TakeInFile, align_takes, cut_clips
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
paths = [Path(name) for name in sys.argv[1:]]
assert find.find_in(files.opened(paths[0])) is None
description.of(files.opened(paths[0]), 800)
takes = [TakeInFile(path.name, files.opened(path)) for path in paths]
found = align_takes(takes)
clips = cut_clips(takes, Span(100, 106), alignments=found)
grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
print(grown / 1024, found[1].delay_samples, clips[1].residual_db)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="resident memory is counted in KiB on Linux")
def test_preparing_takes_far_less_memory_than_the_take(tmp_path):
    rng = np.random.default_rng(1)
    part = 0.1 * rng.standard_normal((20 * RATE, 2)).astype(np.float32)
    paths = [tmp_path / "first.wav", tmp_path / "second.wav"]
    for path, lead in zip(paths, (0, 12_345), strict=True):
        with soundfile.SoundFile(path, "w", RATE, 2, "PCM_24") as file:
            file.write(np.zeros((lead, 2)))
            for number in range(3 * MINUTES):
                file.write(np.roll(part, 977 * number * number, axis=0) * np.float32(0.5))
    command = [sys.executable, "-c", PROGRAM, *map(str, paths)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    grown_mib, delay, residual = map(float, done.stdout.split())
    assert delay == pytest.approx(12_345, abs=0.02)
    assert residual < -60
    # The two takes are 352 MiB each in float64. An hour of one may take 1 GiB, libraries and all;
    # so four minutes may take, over the libraries and the excerpt itself, well under that.
    assert grown_mib < 250
