"""Prints: the clip plus dither, and nothing else to tell one by."""

import io
import struct

import numpy as np
import pytest
import soundfile

from panel.audio.prepare.prints import wav24
from panel.errors import BadInput

LSB = 2.0**-23


@pytest.fixture
def clip(make):
    return make.musical(2, 1, channels=2)


def test_equal_frames_give_equal_lengths_and_different_bytes(clip, make):
    rng = np.random.default_rng(1)
    first, second = wav24(clip, make.rate, rng), wav24(clip, make.rate, rng)
    other = wav24(make.noisy(2, 9, channels=2), make.rate, rng)
    assert len(first) == len(second) == len(other) == 44 + 6 * clip.shape[0]
    assert first[:44] == second[:44] == other[:44]
    assert first != second


def test_header_is_the_plain_one_and_nothing_follows_the_sound(clip, make):
    data = wav24(clip, make.rate, np.random.default_rng(1))
    fields = struct.unpack("<4sI4s4sIHHIIHH4sI", data[:44])
    size = 6 * clip.shape[0]
    assert fields == (
        b"RIFF", 36 + size, b"WAVE", b"fmt ", 16, 1, 2, make.rate, 6 * make.rate, 6, 24,
        b"data", size,
    )  # fmt: skip


def test_an_odd_number_of_bytes_is_padded_as_riff_asks(make):
    data = wav24(np.zeros((3, 1)), make.rate, np.random.default_rng(1))
    assert len(data) == 44 + 9 + 1
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    assert soundfile.read(io.BytesIO(data))[0].shape == (3,)


def test_what_is_delivered_differs_from_the_clip_by_dither_only(clip, make):
    """TPDF of 2 LSB and rounding: total error variance LSB^2/4, white, never over 1.5 LSB, and
    of no relation to the sound (Lipshitz, Wannamaker & Vanderkooy 1992, J. Audio Eng. Soc. 40)."""
    data = wav24(clip, make.rate, np.random.default_rng(5))
    delivered, rate = soundfile.read(io.BytesIO(data))
    assert rate == make.rate
    error = (delivered - clip) / LSB
    n = error.size
    assert np.abs(error).max() <= 1.5
    # Kurtosis is under 3, so s.e. of the variance < 0.25 * sqrt(2 / n); five of them.
    assert error.var() == pytest.approx(0.25, abs=5 * 0.25 * np.sqrt(2 / n))
    assert error.mean() == pytest.approx(0.0, abs=5 * 0.5 / np.sqrt(n))
    bound = 5 / np.sqrt(n)
    flat = error - error.mean()
    for lag in range(1, 20):
        assert abs((flat[lag:] * flat[:-lag]).mean() / flat.var()) < bound * np.sqrt(2)
    assert abs(np.corrcoef(error.ravel(), clip.ravel())[0, 1]) < bound
    assert abs(np.corrcoef(error[:, 0], error[:, 1])[0, 1]) < bound * np.sqrt(2)


def test_a_tone_under_the_last_bit_survives(make):
    t = np.arange(make.rate) / make.rate
    tone = 0.4 * LSB * np.sin(2 * np.pi * 1000 * t)[:, None]
    data = wav24(tone, make.rate, np.random.default_rng(2))
    delivered, _ = soundfile.read(io.BytesIO(data))
    found = 2 * np.mean(delivered * np.exp(-2j * np.pi * 1000 * t)) / LSB
    assert abs(found) == pytest.approx(0.4, abs=5 * np.sqrt(0.25 * 4 / make.rate))


def test_full_scale_is_kept_and_more_is_refused(make):
    data = wav24(np.array([[1.0], [-1.0]] * 50), make.rate, np.random.default_rng(3))
    delivered, _ = soundfile.read(io.BytesIO(data))
    assert np.abs(np.abs(delivered) - 1.0).max() < 2.5 * LSB
    with pytest.raises(BadInput, match="full scale"):
        wav24(np.array([[1.01]]), make.rate, np.random.default_rng(3))
