"""What one pass over a take tells is what the whole of it tells."""

import numpy as np
import pytest

from panel.audio.intake import faults
from panel.audio.intake.tally import Tally


def told(samples, rate, sizes, rng):
    tally, at = Tally(rate, samples.shape[1]), 0
    while at < len(samples):
        count = int(rng.integers(1, sizes))
        tally.add(samples[at : at + count].astype(np.float32))
        at += count
    return tally.figures()


@pytest.mark.parametrize("sizes", [7, 3000, 400_000])
@pytest.mark.parametrize("gain", [1.0, 5.0, 40.0])
def test_any_blocks_tell_the_same(make, sizes, gain):
    rng = np.random.default_rng(sizes)
    frames = 3000 if sizes == 7 else 3 * make.rate
    samples = np.clip(gain * make.plucked(3, 4, channels=2)[-frames:] + 0.01, -0.8, 0.8)
    figures = told(samples, make.rate, sizes, rng)
    held = samples.astype(np.float32).astype(np.float64)
    assert figures.clipped == faults.clipped_stretches(held)
    assert figures.peak == np.abs(held).max()
    assert figures.level == pytest.approx(np.sqrt(np.square(held).mean()), rel=1e-5)
    assert figures.offset == pytest.approx(np.abs(held.mean(axis=0)).max(), rel=1e-4)
    assert figures.noise_power == pytest.approx(faults.noise_power(held, make.rate), rel=1e-4)


def test_what_stood_at_a_lower_peak_is_forgotten(make):
    samples = np.concatenate((np.clip(9 * make.plucked(1, 4), -0.5, 0.5), make.plucked(1, 5) * 3.9))
    assert np.abs(samples[make.rate :]).max() > 0.9
    figures = told(samples, make.rate, 5000, np.random.default_rng(1))
    assert figures.clipped == faults.clipped_stretches(samples.astype(np.float32).astype(float))


def test_a_take_that_stands_still_is_one_stretch_without_a_corner():
    figures = told(np.full((3 * 2**20, 1), 0.5), 48_000, 2**18, np.random.default_rng(1))
    assert figures.clipped == 0
