"""Interpolation against sines, whose value between the samples is known."""

import numpy as np
import pytest

from panel.audio.warp import at_positions


@pytest.mark.parametrize("step", [1.0, 1 + 3e-6, 1 - 1e-4, 1 + 4e-4, 1 / 16])
@pytest.mark.parametrize("start", [500.0, 500.25, 777.999])
@pytest.mark.parametrize("frequency", [0.01, 0.2, 0.45])
def test_a_sine_between_its_samples(step, start, frequency):
    n = np.arange(12_000)
    sines = np.stack((np.sin(2 * np.pi * frequency * n), np.cos(2 * np.pi * frequency * n)), axis=1)
    frames = 9_000
    position = start + step * np.arange(frames)
    wanted = np.stack(
        (np.sin(2 * np.pi * frequency * position), np.cos(2 * np.pi * frequency * position)), axis=1
    )
    assert at_positions(sines, start, step, frames) == pytest.approx(wanted, abs=3e-5)


def test_whole_positions_return_the_samples_themselves():
    samples = np.random.default_rng(1).standard_normal((500, 2))
    assert np.array_equal(at_positions(samples, 100.0, 1.0, 300), samples[100:400])


@pytest.mark.parametrize("step", [1.0, 1 + 1e-5])
def test_outside_there_is_silence(step):
    samples = np.ones((1000, 1))
    out = at_positions(samples, -500.5, step, 2000)
    assert out.shape == (2000, 1)
    assert np.abs(out[:400]).max() < 1e-12
    assert np.abs(out[-400:]).max() < 1e-12
    assert out[900:1100] == pytest.approx(1.0, abs=1e-4)
    assert at_positions(samples, 5.5, step, 0).shape == (0, 1)
