"""Alignment of few clear tones: the right period, not a neighbour that falls on a sample."""

import numpy as np
import pytest

from panel.audio.align.take import align

RATE = 16_000


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("delay", [1, 7, 21, -33])
def test_plucked_tones_above_a_quarter_of_the_rate(seed, delay):
    # Known truth: the second is the first moved by whole samples; each has noise of its own.
    rng = np.random.default_rng(seed)
    n = 3 * RATE
    sound = np.zeros(n)
    for _ in range(8):
        at = int(rng.uniform(0, 0.8) * n)
        t = np.arange(n - at) / RATE
        sound[at:] += np.sin(2 * np.pi * rng.uniform(150, 5000) * t) * np.exp(-4 * t)
    noise = 1e-4 * rng.standard_normal((2, n))
    found = align((sound + noise[0])[:, None], (np.roll(sound, delay) + noise[1])[:, None], RATE)
    assert found.delay_samples == pytest.approx(delay, abs=0.02)
    assert found.correlation > 0.99
