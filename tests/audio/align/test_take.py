"""Alignment against displacements of known size (the shift theorem; soxr for the clocks)."""

import numpy as np
import pytest

from panel.audio.align.take import Hint, align, apply, refine

KINDS = ["plucked", "noise", "music"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("delay", [0.0, 0.37, -0.5, 33.71, 24_000.4, -30_000.6])
def test_delay_within_a_fiftieth_of_a_sample_at_40_db(make, kind, delay):
    reference = make.material[kind](2, 11)
    other = make.with_noise(make.delayed(reference, delay), 40, 12)
    found = align(make.with_noise(reference, 40, 13), other, make.rate)
    assert found.delay_samples == pytest.approx(delay, abs=0.02)
    assert found.drift_ppm == 0.0
    assert not found.inverted
    assert not found.swapped
    assert found.correlation > 0.99


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("ppm", [-100.0, 20.0])
def test_clock_drift(make, kind, ppm):
    reference = make.material[kind](12, 21)
    other = make.with_noise(
        make.drifted(make.delayed(reference, 500.3, 13 * make.rate), ppm), 40, 3
    )
    found = align(reference, other, make.rate)
    assert found.drift_ppm == pytest.approx(ppm, abs=0.05)
    # The delay is at the reference's first sample, on the other take's clock.
    assert found.delay_samples == pytest.approx(500.3 / (1 + ppm * 1e-6), abs=0.05)


def test_drift_to_a_tenth_of_a_ppm_over_a_minute(make):
    reference = make.plucked(60, 5, channels=2)
    other = make.with_noise(make.drifted(reference, 7.3), 40, 6)
    found = align(reference, other, make.rate)
    assert found.drift_ppm == pytest.approx(7.3, abs=0.1)


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
def test_any_sample_rate(make, rate):
    reference = make.plucked(4, 8, rate)
    found = align(reference, make.delayed(reference, 77.7), rate)
    assert found.delay_samples == pytest.approx(77.7, abs=0.02)


def test_polarity_is_found(make):
    reference = make.plucked(3, 1)
    found = align(reference, -0.5 * make.delayed(reference, 10.5), make.rate)
    assert found.inverted
    assert found.delay_samples == pytest.approx(10.5, abs=0.02)


@pytest.mark.parametrize("swapped", [False, True])
def test_swapped_channels_are_found(make, swapped):
    left, right = make.plucked(4, 1), make.plucked(4, 2)
    reference = np.concatenate((left, 0.6 * right + 0.2 * left), axis=1)
    other = make.delayed(reference, -25.25)
    found = align(reference, other[:, ::-1] if swapped else other, make.rate)
    assert found.swapped == swapped
    assert found.delay_samples == pytest.approx(-25.25, abs=0.02)


def test_channels_in_opposite_phase_are_aligned_too(make):
    mono = make.plucked(3, 4)
    reference = np.concatenate((mono, -mono), axis=1)
    found = align(reference, make.delayed(reference, 9.75), make.rate)
    assert found.delay_samples == pytest.approx(9.75, abs=0.02)
    assert not found.inverted


def test_lengths_may_differ_and_the_music_may_lie_deep_inside(make):
    music = make.plucked(4, 9)
    other = np.concatenate((np.zeros((7 * make.rate, 1)), music, np.zeros((2 * make.rate, 1))))
    found = align(music, make.with_noise(other, 40, 1), make.rate)
    assert found.delay_samples == pytest.approx(7 * make.rate, abs=0.02)
    back = align(make.with_noise(other, 40, 1), music, make.rate)
    assert back.delay_samples == pytest.approx(-7 * make.rate, abs=0.02)


def test_a_repeated_phrase_does_not_mislead(make):
    phrase = make.plucked(2, 3)
    # The same phrase four times; only the small differences of the last tell which is which.
    reference = np.concatenate([phrase] * 4 + [make.plucked(2, 4)])
    other = make.with_noise(make.delayed(reference, 1.2 * make.rate), 40, 2)
    found = align(reference, other, make.rate)
    assert found.delay_samples == pytest.approx(1.2 * make.rate, abs=0.02)


def test_different_performances_are_recognised(make):
    found = align(make.plucked(6, 1), make.plucked(6, 2), make.rate)
    assert found.correlation < 0.5
    assert found.drift_ppm == 0.0
    assert np.isfinite(found.delay_samples)


def test_nothing_in_common_is_no_failure(make):
    silence = np.zeros((make.rate, 1))
    assert align(silence, make.plucked(1, 1), make.rate).correlation == 0.0
    assert align(make.plucked(1, 1)[:10], make.plucked(1, 1), make.rate).correlation == 0.0


@pytest.mark.parametrize("ppm", [0.0, 40.0])
def test_apply_undoes_what_was_found(make, ppm):
    from scipy.signal import firwin, oaconvolve

    # The interpolation ends at 0.95 of half the rate: a reference within that.
    reference = make.plucked(5, 7, channels=2)
    reference = oaconvolve(reference, firwin(511, 0.9)[:, None], mode="same", axes=0)
    moved = make.delayed(reference, 99.6, 6 * make.rate)
    other = -(make.drifted(moved, ppm) if ppm else moved)[:, ::-1]
    found = align(reference, other, make.rate)
    start, frames = make.rate, 3 * make.rate
    back = apply(other, found, float(start), frames)
    left = back - reference[start : start + frames]
    assert back.shape == (frames, 2)
    assert 10 * np.log10(np.square(left).sum() / np.square(back).sum()) < -70


def test_refine_follows_a_take_that_moved_within_itself(make):
    reference = make.plucked(8, 2)
    later = make.delayed(reference, 0.6)
    other = np.concatenate((reference[: 4 * make.rate], later[4 * make.rate :]))
    whole = align(reference, other, make.rate)
    early = refine(reference, other, make.rate, 2 * make.rate, whole)
    late = refine(reference, other, 5 * make.rate, 2 * make.rate, whole)
    # In the middle of each excerpt, where it counts; between them the take jumps.
    assert early.position(2 * make.rate) - 2 * make.rate == pytest.approx(0.0, abs=0.05)
    assert late.position(6 * make.rate) - 6 * make.rate == pytest.approx(0.6, abs=0.05)


def test_a_hint_is_made_finer_on_the_music(make):
    reference = make.plucked(6, 41)
    other = make.with_noise(
        make.drifted(make.delayed(reference, 700.3, 7 * make.rate), 20.0), 40, 1
    )
    found = align(reference, other, make.rate, Hint(701.1, 19.0))
    assert found.delay_samples == pytest.approx(700.3 / (1 + 20e-6), abs=0.05)
    assert found.drift_ppm == pytest.approx(20.0, abs=0.1)


def test_a_hint_stands_where_the_music_is_another_performance(make):
    found = align(make.plucked(6, 1), make.plucked(6, 2), make.rate, Hint(321.5, 12.0))
    assert found.correlation < 0.5
    assert (found.delay_samples, found.drift_ppm) == (321.5, 12.0)


def test_a_wrong_hint_does_not_mislead(make):
    reference = make.plucked(4, 42)
    found = align(reference, make.delayed(reference, 99.25), make.rate, Hint(-24_000.0, 0.0))
    assert found.delay_samples == pytest.approx(99.25, abs=0.02)
