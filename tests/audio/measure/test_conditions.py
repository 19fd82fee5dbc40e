"""Two conditions of several takes: residual, response and corner, beside their retakes."""

import numpy as np
import pytest
from scipy.signal import bilinear, lfilter

from panel.audio.measure.conditions import between, residual_after_db, residuals
from panel.errors import BadInput

RATE = 48_000


def low_cut(samples, hz):
    w = 2 * RATE * np.tan(np.pi * hz / RATE)
    return lfilter(*bilinear([1, 0], [1, w], RATE), samples, axis=0)


def parts(samples):
    """Two excerpts, cut in the middle of notes."""
    return [samples[RATE : 3 * RATE], samples[3 * RATE :]]


def test_residual_is_the_noise_that_was_added_whatever_gain_and_delay(make):
    a = make.noisy(3, 4)
    b = make.with_noise(0.6 * make.delayed(a, 0.37), 30, 5)
    # White on white: as much of each lies in the band that is compared.
    assert residual_after_db([a], [b]) == pytest.approx(-30.0, abs=0.1)


def test_nothing_is_left_of_a_copy(make):
    a = make.plucked(3, 4, channels=2)
    assert residual_after_db([a], [0.5 * a]) < -150


def test_another_performance_leaves_no_residual_and_nothing_to_fit(make):
    first, last = [[make.plucked(3, 1)]], [[make.plucked(3, 2)]]
    assert residual_after_db(first[0], last[0]) is None
    found = between(first, last, RATE)
    assert not found.residuals.same_performance
    assert found.residuals.across_db is None
    assert (found.response, found.corner, found.notes) == ((), None, None)


def test_pairs_across_and_within_are_kept_apart(make):
    a = make.noisy(2, 6)
    first = [[make.with_noise(a, 60, seed)] for seed in (1, 2)]
    last = [[make.with_noise(low_cut(a, 500.0), 60, seed)] for seed in (3, 4, 5)]
    found = residuals(first, last)
    # Two noises 60 dB down, against one and a half in no other way: 57 dB under the signal.
    assert found.within_db == pytest.approx((-57.0,) * 3, abs=0.2)
    assert min(found.across_db) > -40
    alone = residuals(first[:1], last[:1])
    assert alone.within_db is None


@pytest.mark.parametrize("kind", ["plucked", "noise"])
def test_a_low_cut_is_recovered_beside_retakes(make, kind):
    """Closed form of the first order: 22 nF into 220 kOhm (32.88 Hz) against half as much."""
    music = make.material[kind](7, 8)
    first = [parts(make.with_noise(low_cut(music, 32.88), 70, s)) for s in (1, 2, 3)]
    last = [parts(make.with_noise(low_cut(music, 65.77), 70, s)) for s in (4, 5, 6)]
    found = between(first, last, RATE, corner_hz=32.88)
    corner = found.corner
    assert corner.rests_on == "retakes"
    assert corner.shift_hz == pytest.approx(32.88, rel=0.05)
    assert corner.low_hz < corner.shift_hz < corner.high_hz
    assert corner.beyond_chance
    level = np.array([band.gain_db for band in found.response if 60 < band.hz < 8000])
    hz = np.array([band.hz for band in found.response if 60 < band.hz < 8000])
    truth = 10 * np.log10((1 + (32.88 / hz) ** 2) / (1 + (65.77 / hz) ** 2))
    assert np.sqrt(np.square(level - truth).mean()) < 0.05
    assert all(band.retakes_db >= 0 and 0.5 < band.coherence <= 1 for band in found.response)


def test_excerpts_cut_within_a_note_do_not_pass_for_bass(make):
    """A low tone, cut abruptly: what the cut spreads below it follows the tone, not the filter."""
    t = np.arange(8 * RATE) / RATE
    tones = sum(np.sin(2 * np.pi * f * t) / f for f in (98.0, 131.0, 196.0, 262.0, 392.0))
    music = 5 * tones[:, None] * (1 + 0.3 * make.noisy(8, 3)) + 0.02 * make.noisy(8, 9)
    first = [parts(make.with_noise(music, 80, s)) for s in (1, 2)]
    last = [parts(make.with_noise(low_cut(music, 80.0), 80, s)) for s in (3, 4)]
    corner = between(first, last, RATE).corner
    assert corner.from_hz is None
    assert corner.shift_hz == pytest.approx(80.0, rel=0.05)


def test_no_shift_between_retakes(make):
    music = make.plucked(6, 9)
    first = [parts(make.with_noise(music, 60, s)) for s in (1, 2, 3)]
    last = [parts(make.with_noise(music, 60, s)) for s in (4, 5, 6)]
    corner = between(first, last, RATE, corner_hz=32.88).corner
    assert not corner.beyond_chance
    assert corner.high_hz - corner.low_hz < 10


def test_clips_of_different_length_or_an_empty_side_are_refused(make):
    a = make.noisy(1, 1)
    with pytest.raises(BadInput, match="length"):
        between([[a]], [[a[:-1]]], RATE)
    with pytest.raises(BadInput, match="each side"):
        between([], [[a]], RATE)
