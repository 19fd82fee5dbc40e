"""Loudness against ITU-R BS.1770 and the signals of EBU Tech 3341.

Tech 3341 (version 4, November 2023), table 1: levels are per-channel peaks of a 1 kHz sine in
phase in both channels, in dBFS; expectations +-0.1 LU. Cases 7, 8 need the EBU's own files and
11, 14 are for live meters. The table was read in quotations, not in the original.
"""

import numpy as np
import pyloudnorm
import pytest

from panel.audio import loudness

RATE = 48_000


def sine(level_db, seconds, rate=RATE, hz=1000.0, channels=2):
    t = np.arange(round(seconds * rate)) / rate
    tone = 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * t)
    return np.repeat(tone[:, None], channels, axis=1)


def sequence(*steps):
    return np.concatenate([sine(level, seconds) for level, seconds in steps])


SILENCE = -400.0


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 88_200, 96_000, 192_000])
@pytest.mark.parametrize(("channels", "expected"), [(1, -3.01), (2, 0.0)])
def test_full_scale_sine_reads_as_the_standard_says(rate, channels, expected):
    # ITU-R BS.1770-5, annex 1: 0 dBFS, 997 Hz in one front channel reads -3.01 LKFS.
    tone = sine(0.0, 5, rate, 997.0, channels)
    assert loudness.integrated(tone, rate) == pytest.approx(expected, abs=0.01)
    assert loudness.ungated(tone, rate) == pytest.approx(expected, abs=0.01)


def test_filter_at_48_khz_is_the_table_of_the_standard():
    # BS.1770 annex 1, tables 1 and 2, as quoted in VALUES section 3 [read].
    shelf, high_pass = loudness.k_weighting(48_000)
    assert shelf[:3] == pytest.approx(
        [1.53512485958697, -2.69169618940638, 1.19839281085285], abs=1e-12
    )
    assert shelf[4:] == pytest.approx([-1.69065929318241, 0.73248077421585], abs=1e-12)
    assert high_pass[:3] == pytest.approx([1.0, -2.0, 1.0])
    assert high_pass[4:] == pytest.approx([-1.99004745483398, 0.99007225036621], abs=1e-12)


@pytest.mark.parametrize(
    "steps",
    [
        [(-23, 20)],
        [(-36, 10), (-23, 60), (-36, 10)],
        [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
        [(-26, 20), (-20, 20.1), (-26, 20)],
    ],
    ids=["case 1", "case 3", "case 4", "case 5"],
)
def test_integrated_loudness_of_stereo_cases(steps):
    assert loudness.integrated(sequence(*steps), RATE) == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("level", [-23.0, -33.0], ids=["case 1", "case 2"])
def test_all_three_windows_agree_on_a_steady_tone(level):
    tone = sine(level, 20)
    assert loudness.integrated(tone, RATE) == pytest.approx(level, abs=0.1)
    assert loudness.momentary(tone, RATE)[100:] == pytest.approx(level, abs=0.1)
    assert loudness.short_term(tone, RATE)[1:] == pytest.approx(level, abs=0.1)


@pytest.mark.parametrize("with_lfe", [False, True], ids=["5 channels", "6 with a loud LFE"])
def test_case_6_five_channels(with_lfe):
    levels = [-28, -28, -24, -30, -30]
    columns = [sine(level, 20, channels=1) for level in levels]
    if with_lfe:
        columns.insert(3, sine(-6, 20, hz=60.0, channels=1))  # left out by annex 1
    samples = np.concatenate(columns, axis=1)
    assert loudness.integrated(samples, RATE) == pytest.approx(-23.0, abs=0.1)


def test_case_9_short_term_is_constant_after_three_seconds():
    samples = sequence(*[(-20, 1.34), (-30, 1.66)] * 5)
    # The first window is whole at 3 s; the filter's own start is over long before its end.
    assert loudness.short_term(samples, RATE)[1:] == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("i", range(20))
def test_case_10_greatest_short_term(i):
    samples = sequence((SILENCE, i * 0.15), (-23, 3), (SILENCE, 1))
    assert loudness.short_term(samples, RATE, 0.01).max() == pytest.approx(-23.0, abs=0.1)


def test_case_12_momentary_is_constant_after_one_second():
    samples = sequence(*[(-20, 0.18), (-30, 0.22)] * 25)
    assert loudness.momentary(samples, RATE)[60:] == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("i", range(20))
def test_case_13_greatest_momentary(i):
    samples = sequence((SILENCE, i * 0.02), (-23, 0.4), (SILENCE, 1))
    assert loudness.momentary(samples, RATE).max() == pytest.approx(-23.0, abs=0.1)


# EBU Tech 3342 (version 4, November 2023), table 1: minimum requirements, stereo 1 kHz sines of
# 20 s each; expectations +-1 LU. From memory, agreeing with its quotations in open meters' tests;
# cases 5 and 6 need the EBU's own programmes.
@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ([-20, -30], 10.0),
        ([-20, -15], 5.0),
        ([-40, -20], 20.0),
        ([-50, -35, -20, -35, -50], 15.0),
    ],
    ids=["case 1", "case 2", "case 3", "case 4"],
)
def test_loudness_range_of_the_minimum_requirements(levels, expected):
    samples = sequence(*[(level, 20) for level in levels])
    assert loudness.range_lu(samples, RATE) == pytest.approx(expected, abs=1.0)


def test_a_steady_tone_has_no_range_and_silence_has_none_to_tell():
    assert loudness.range_lu(sine(-23, 8), RATE) == pytest.approx(0.0, abs=0.05)
    assert loudness.range_lu(np.zeros((5 * RATE, 2)), RATE) is None
    assert loudness.range_lu(sine(-23, 2.5), RATE) is None  # shorter than one window


def test_agrees_with_pyloudnorm_up_to_its_own_filter():
    # pyloudnorm 0.2.0 reads a full-scale 997 Hz sine 0.04 LU low; on noise its
    # approximation of the shelf differs by less than that.
    rng = np.random.default_rng(3)
    noise = 0.05 * rng.standard_normal((10 * RATE, 2)) * np.linspace(0.2, 1, 10 * RATE)[:, None]
    theirs = pyloudnorm.Meter(RATE).integrated_loudness(noise)
    assert loudness.integrated(noise, RATE) == pytest.approx(theirs, abs=0.06)


def test_silence_has_no_loudness():
    nothing = np.zeros((RATE, 2))
    assert loudness.integrated(nothing, RATE) == float("-inf")
    assert loudness.ungated(nothing, RATE) == float("-inf")


@pytest.mark.parametrize(("seconds", "how"), [(2.9, "ungated"), (3.0, "gated")])
def test_a_clip_says_how_it_was_weighed(seconds, how):
    level, said = loudness.for_clip(sine(-23, seconds), RATE)
    assert said == how
    assert level == pytest.approx(-23.0, abs=0.1)
