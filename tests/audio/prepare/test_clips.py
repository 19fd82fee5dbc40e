"""Preparation: clips of one excerpt, alike in all but what the takes hold."""

import io

import numpy as np
import pytest
import soundfile

from panel.audio.loudness import for_clip, true_peak_db
from panel.audio.prepare.clips import Span, TakeSound, align_takes, common_gains, cut_clips
from panel.audio.prepare.prints import wav24
from panel.audio.sound import Sound, Source
from panel.errors import BadInput

SPAN = Span(0.8, 3.9)


@pytest.fixture
def takes(make):
    """One performance four times: later, quieter, upside down, and on a faster clock."""
    music = make.plucked(5, 31)
    others = [
        music,
        make.with_noise(0.7 * make.delayed(music, 321.4, 6 * make.rate), 60, 1),
        make.with_noise(-1.5 * make.delayed(music, -99.25), 60, 2),
        make.with_noise(make.drifted(music, 30.0), 60, 3),
    ]
    return [TakeSound(f"take {i}", make.sound(samples)) for i, samples in enumerate(others, 1)]


def codes(clip):
    return {warning.code for warning in clip.warnings}


def test_delivered_clips_agree_in_length_loudness_and_peak(takes, make):
    clips = cut_clips(takes, SPAN)
    levels = []
    for clip in clips:
        assert clip.samples.shape == (round(3.1 * make.rate), 1)
        print_ = wav24(clip.samples, clip.rate, np.random.default_rng(1))
        delivered, _ = soundfile.read(io.BytesIO(print_), always_2d=True)
        levels.append(for_clip(delivered, make.rate)[0])
        assert levels[-1] == pytest.approx(clip.loudness_lufs, abs=0.01)
        assert true_peak_db(delivered, make.rate) <= -0.99
    assert max(levels) - min(levels) < 0.05


def test_what_was_done_is_the_truth(takes):
    first, later, inverted, fast = cut_clips(takes, SPAN)
    assert (first.delay_samples, first.drift_ppm, first.residual_db) == (0.0, 0.0, None)
    assert later.delay_samples == pytest.approx(321.4, abs=0.02)
    assert later.gain_db - first.gain_db == pytest.approx(-20 * np.log10(0.7), abs=0.05)
    assert inverted.inverted
    assert inverted.delay_samples == pytest.approx(-99.25, abs=0.02)
    assert inverted.gain_db - first.gain_db == pytest.approx(-20 * np.log10(1.5), abs=0.05)
    assert fast.drift_ppm == pytest.approx(30.0, abs=0.1)
    assert not {c.inverted for c in (first, later, fast)} - {False}
    for clip in (later, inverted, fast):
        assert clip.residual_db < -25  # noise 60 dB under, and the top of the band


def test_alignments_can_be_kept_for_several_excerpts(takes):
    kept = align_takes(takes)
    again = cut_clips(takes, SPAN, alignments=kept)
    for one, other in zip(again, cut_clips(takes, SPAN), strict=True):
        assert np.array_equal(one.samples, other.samples)


def test_levels_as_recorded_are_kept_and_the_difference_is_stated(takes):
    clips = cut_clips(takes, SPAN, matched=False)
    assert len({round(clip.gain_db, 9) for clip in clips}) == 1
    assert clips[1].loudness_lufs - clips[0].loudness_lufs == pytest.approx(
        20 * np.log10(0.7), abs=0.05
    )
    assert all("as_recorded" in codes(clip) for clip in clips)


def test_ends_are_faded(takes):
    for clip in cut_clips(takes, SPAN):
        peak = np.abs(clip.samples).max()
        assert np.abs(clip.samples[:2]).max() < 1e-4 * peak
        assert np.abs(clip.samples[-2:]).max() < 1e-4 * peak


@pytest.mark.parametrize(
    ("loudness", "peaks", "matched", "gains"),
    [
        ([-20, -23], [-6, -6], True, [-3, 0]),
        ([-20, -23], [-6, 1], True, [-5, -2]),
        ([-20, -23], [-6, 1], False, [-2, -2]),
        ([-20, -23], [-6, -6], False, [0, 0]),
    ],
    ids=["to the quietest", "all lower for a peak", "as recorded, lower", "as recorded"],
)
def test_gains(loudness, peaks, matched, gains):
    assert common_gains(loudness, peaks, matched, -1.0) == pytest.approx(gains)


def test_headroom_for_a_planted_check(takes):
    clips = cut_clips(takes, SPAN, headroom_db=20.0)
    assert max(clip.true_peak_db for clip in clips) <= -21.0 + 1e-9


@pytest.mark.parametrize("span", [Span(-1, 2), Span(1, 1.1), Span(3, 2), Span(float("nan"), 2)])
def test_impossible_excerpts(takes, span):
    with pytest.raises(BadInput):
        cut_clips(takes, span)


def test_an_excerpt_outside_a_take_names_the_take(takes):
    with pytest.raises(
        BadInput, match=r"take 1 has no sound for the whole excerpt.*0\.00 to 5\.00"
    ):
        cut_clips(takes, Span(2, 9))


def test_a_silent_take_is_named(make, takes):
    silent = TakeSound("take 9", make.sound(np.zeros((5 * make.rate, 2))))
    with pytest.raises(BadInput, match="take 9 is silent"):
        cut_clips([takes[0], silent], SPAN)


def test_two_sample_rates_are_brought_to_the_first_and_named(make, takes):
    import soxr

    slow = soxr.resample(takes[0].sound.samples, make.rate, 44_100, "VHQ")
    other = TakeSound("take 8", make.sound(slow, 44_100))
    first, second = cut_clips([takes[0], other], SPAN)
    assert second.rate == make.rate
    assert second.samples.shape == first.samples.shape
    assert second.delay_samples == pytest.approx(0.0, abs=0.02)
    assert codes(second) >= {"rate_mismatch", "resampled"}
    assert "rate_mismatch" in codes(first)


def test_warnings_about_sources_levels_and_length(make):
    music = make.plucked(5, 3)
    lossy = Source("MP3", "MPEG_LAYER_III", None, True)
    takes = [
        TakeSound("good", make.sound(music)),
        TakeSound("coded", Sound(0.3 * music, make.rate, lossy)),
        TakeSound("clipped", make.sound(np.clip(60 * music, -0.9, 0.9))),
        TakeSound("offset", make.sound(music + 0.02)),
        TakeSound("another", make.sound(make.plucked(5, 99))),
    ]
    by_name = {clip.name: codes(clip) for clip in cut_clips(takes, Span(1, 2.5))}
    shared = {"lossy_mixed", "level_gap", "too_short"}
    assert all(found >= shared for found in by_name.values())
    assert by_name["good"] == shared
    assert by_name["coded"] - shared == {"lossy"}
    assert "clipping" in by_name["clipped"]
    assert "dc" in by_name["offset"]
    assert "low_correlation" in by_name["another"]


def test_a_residual_that_is_only_noise_is_called_so(make):
    music = make.plucked(4, 3)
    music = np.concatenate((np.zeros((make.rate, 1)), music))  # a second of room before the music
    noise = [np.random.default_rng(i).standard_normal(music.shape) * 1e-4 for i in (1, 2)]
    takes = [TakeSound(f"take {i}", make.sound(music + n)) for i, n in enumerate(noise)]
    assert "residual_is_noise" in codes(cut_clips(takes, Span(1.5, 4))[1])


def test_warnings_never_say_audible(make):
    takes = [TakeSound(n, make.sound(make.plucked(4, s))) for n, s in (("a", 1), ("b", 2))]
    for clip in cut_clips(takes, Span(1, 3.5)):
        assert not any("audible" in warning.sentence for warning in clip.warnings)
