"""Clips of an excerpt as a listener gets them: one loudness, and no true peak over -1 dBTP.

Measured on decoded prints (24 bits, dithered) by a reader and a meter apart from ours: soundfile,
and BS.1770 by scipy's recursion with the standard's own table of coefficients (annex 1).
"""

import io

import numpy as np
import pytest
import soundfile
from scipy.signal import lfilter, resample_poly

from panel.audio.prepare.clips import Span, TakeSound, cut_clips
from panel.audio.prepare.prints import wav24
from panel.audio.sound import Sound

SHELF = (
    [1.53512485958697, -2.69169618940638, 1.19839281085285],
    [1.0, -1.69065929318241, 0.73248077421585],
)
HIGH_PASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])


def ungated(samples):
    for b, a in (SHELF, HIGH_PASS):
        samples = lfilter(b, a, samples, axis=0)
    return -0.691 + 10 * np.log10(np.square(samples).mean(axis=0).sum())


def gated(samples):
    """400 ms blocks, a quarter apart; gates at -70 LUFS and 10 LU under (BS.1770-5, annex 1)."""
    for b, a in (SHELF, HIGH_PASS):
        samples = lfilter(b, a, samples, axis=0)
    starts = range(0, len(samples) - 19_200 + 1, 4_800)
    power = np.array([np.square(samples[s : s + 19_200]).mean(axis=0).sum() for s in starts])
    power = power[power > 10 ** ((-70 + 0.691) / 10)]
    power = power[power > power.mean() / 10]
    return -0.691 + 10 * np.log10(power.mean())


def true_peak_db(samples):
    return 20 * np.log10(np.abs(resample_poly(samples, 4, 1, axis=0)).max())


def delivered(clip, seed):
    held = wav24(clip.samples, clip.rate, np.random.default_rng(seed))
    return soundfile.read(io.BytesIO(held), always_2d=True)[0]


@pytest.fixture(params=[1, 2], ids=["mono", "stereo"])
def takes(request, make):
    """One performance at levels and balances that differ, one of them brighter, one hot."""
    music = make.musical(4.5, 31, channels=request.param)
    brighter = lfilter([1.6, -0.6], [1.0], music, axis=0)
    balance = np.array([1.0, 0.7])[: request.param]
    hot = music / np.abs(music).max() * 1.3  # over full scale: a float recording
    others = [music, 0.31 * make.delayed(music, 55.3), brighter * balance, -hot]
    noisy = [make.with_noise(samples, 60, i) for i, samples in enumerate(others)]
    return [TakeSound(f"take {i}", make.sound(samples)) for i, samples in enumerate(noisy, 1)]


@pytest.mark.parametrize(
    ("span", "meter"),
    [(Span(0.5, 2.4), ungated), (Span(0.5, 4.0), gated)],
    ids=["short: ungated", "long: gated"],
)
def test_matched_clips_are_within_a_twentieth_of_a_lu(takes, span, meter):
    clips = cut_clips(takes, span)
    prints = [delivered(clip, i) for i, clip in enumerate(clips)]
    levels = [meter(samples) for samples in prints]
    assert max(levels) - min(levels) < 0.05
    for clip, level in zip(clips, levels, strict=True):
        assert clip.loudness_lufs == pytest.approx(level, abs=0.02)
    assert max(true_peak_db(samples) for samples in prints) <= -1.0 + 0.05
    assert len({samples.shape for samples in prints}) == 1


def test_matched_clips_reach_for_the_peak_limit_only_where_they_must(takes):
    quiet = [TakeSound(take.name, scaled(take.sound, 0.1)) for take in takes]
    clips = cut_clips(quiet, Span(0.5, 4.0))
    assert max(clip.gain_db for clip in clips) == pytest.approx(0.0, abs=1e-9)  # the quietest


def test_clips_as_recorded_keep_their_differences_and_state_them(takes):
    span = Span(0.5, 4.0)
    recorded = [gated(t.sound.samples[round(0.5 * 48_000) : 4 * 48_000]) for t in takes]
    clips = cut_clips(takes, span, matched=False)
    prints = [delivered(clip, i) for i, clip in enumerate(clips)]
    levels = [gated(samples) for samples in prints]
    for level, before in zip(levels, recorded, strict=True):
        assert level - levels[0] == pytest.approx(before - recorded[0], abs=0.1)
    assert max(true_peak_db(samples) for samples in prints) <= -1.0 + 0.05
    gap = max(levels) - min(levels)
    for clip in clips:
        said = next(w.sentence for w in clip.warnings if w.code == "as_recorded")
        stated = float(said.rsplit("by ", 1)[1].removesuffix(" dB."))
        assert stated == pytest.approx(gap, abs=0.02)


def scaled(sound, by):
    return Sound(sound.samples * by, sound.rate, sound.source)
