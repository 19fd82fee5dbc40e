"""Two independent readers of one file must agree: libsndfile here, the bundled FFmpeg there."""

import subprocess

import numpy as np
import pytest
import soundfile
from imageio_ffmpeg import get_ffmpeg_exe

from panel.audio.reading import decode


@pytest.mark.parametrize(
    ("container", "subtype"),
    [("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "PCM_32"), ("WAV", "FLOAT"), ("AIFF", "PCM_24"),
     ("FLAC", "PCM_16"), ("FLAC", "PCM_24"), ("CAF", "PCM_24"), ("RF64", "PCM_24")],
)  # fmt: skip
def test_both_readers_give_the_same_samples(tmp_path, container, subtype):
    path = tmp_path / f"take.{container.lower()}"
    samples = np.random.default_rng(2).uniform(-1, 1, (5000, 2))
    soundfile.write(path, samples, 44_100, subtype, format=container)
    raw = subprocess.run(
        [get_ffmpeg_exe(), "-v", "error", "-nostdin", "-i", path, "-f", "f64le", "-"],
        check=True,
        capture_output=True,
    ).stdout
    theirs = np.frombuffer(raw, "<f8").reshape(-1, 2)
    assert np.array_equal(decode.read(path).samples, theirs)
