"""K-weighting by products of matrices against the recursion itself (scipy's sosfilt)."""

import numpy as np
import pytest
from scipy.signal import sosfilt

from panel.audio import loudness
from panel.audio.weighting import STRETCH, Weighting


def in_pieces(filtering, x, rng):
    parts, at = [], 0
    while at < len(x):
        count = int(rng.integers(1, 40_000))
        parts.append(filtering.add(x[at : at + count]))
        at += count
    return np.concatenate([*parts, filtering.finish()])


@pytest.mark.parametrize("rate", [32_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("kind", ["noise", "a tone under the lowest audible", "an offset"])
def test_any_sound_in_any_pieces_comes_out_as_by_the_recursion(rate, kind):
    rng = np.random.default_rng(rate)
    n = 2 * rate + 17
    x = 0.1 * rng.standard_normal(n)
    if kind.startswith("a tone"):
        x = 0.01 * x + 0.99 * np.sin(2 * np.pi * 5 * np.arange(n) / rate)
    if kind == "an offset":
        x = 0.01 * x + 0.9
    sections = loudness.k_weighting(rate)
    by_recursion = sosfilt(sections, x)
    ours = in_pieces(Weighting(sections), x, rng)
    assert ours.shape == by_recursion.shape
    assert np.abs(ours - by_recursion).max() < 1e-6  # -120 dB full scale; the gate is at -70 LUFS


@pytest.mark.parametrize("frames", [0, 1, STRETCH - 1, STRETCH, STRETCH + 1, 16 * STRETCH + 1])
def test_short_sounds(frames):
    sections = loudness.k_weighting(48_000)
    x = np.random.default_rng(frames).standard_normal(frames)
    filtering = Weighting(sections)
    ours = np.concatenate([filtering.add(x), filtering.finish()])
    assert ours == pytest.approx(sosfilt(sections, x) if frames else x, abs=1e-5)


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 48_000])
def test_a_meter_reads_the_same_whatever_the_blocks(rate):
    rng = np.random.default_rng(7)
    x = 0.1 * rng.standard_normal((5 * rate, 2)) * np.linspace(0.1, 1, 5 * rate)[:, None]
    meter, peak, at = loudness.Meter(rate, 2), loudness.PeakMeter(rate, 2), 0
    while at < len(x):
        count = int(rng.integers(1, 30_000))
        meter.add(x[at : at + count])
        peak.add(x[at : at + count])
        at += count
    assert meter.integrated() == pytest.approx(loudness.integrated(x, rate), abs=1e-3)
    assert meter.range_lu() == pytest.approx(loudness.range_lu(x, rate), abs=1e-3)
    assert peak.db() == pytest.approx(loudness.true_peak_db(x, rate), abs=1e-3)
