"""Channels one by one, by the stretch: the same as from the whole in memory."""

import numpy as np
import pytest
import soundfile

from panel.audio import loudness
from panel.audio.intake import overview, tracks
from panel.audio.reading import files, stretches


@pytest.mark.parametrize("frames", [1, 999, 70_001, 200_000])
@pytest.mark.parametrize("columns", [1, 800])
def test_by_the_stretch_as_from_the_whole(tmp_path, frames, columns):
    rng = np.random.default_rng(frames)
    samples = rng.uniform(-0.5, 0.5, (frames, 5)) * [1.0, 0.0, 0.3, 1.0, 0.1]
    samples[:, 3] *= np.linspace(0, 1, frames)
    path = tmp_path / "five.wav"
    soundfile.write(path, samples, 48_000, "PCM_24")
    samples, _ = soundfile.read(path, always_2d=True)
    for recording in (files.opened(path, channels=(4, 1)), stretches.in_memory(samples, 48_000)):
        found = tracks.of(recording, columns)
        chosen = [3, 0] if recording.channels == 2 else range(5)
        assert len(found) == len(chosen)
        for track, column in zip(found, chosen, strict=True):
            alone = samples[:, column : column + 1]
            expected = overview.envelope(alone, 48_000, columns)
            # Closed forms over the whole, in another arrangement of the sums.
            assert track.rms == pytest.approx(np.sqrt(np.square(alone).mean()), abs=1e-6)
            assert track.peak == pytest.approx(np.abs(alone).max(), abs=1e-6)
            assert track.envelope.seconds == expected.seconds
            for name in ("lowest", "highest", "rms"):
                assert getattr(track.envelope, name) == pytest.approx(
                    getattr(expected, name), abs=1e-6
                )
            level = loudness.integrated(alone, 48_000)
            assert track.loudness_lufs == pytest.approx(level, abs=1e-3)
