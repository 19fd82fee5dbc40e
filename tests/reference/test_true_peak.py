"""True peak against the signals of EBU Tech 3341 (version 4), cases 15 to 23: +0.2/-0.4 dB.

FFS in the table is the peak of the sine relative to full scale. Read in quotations of the table.
"""

import numpy as np
import pytest

from panel.audio.loudness import true_peak_db

RATE = 48_000


def tapered(samples):
    ramp = np.linspace(0, 1, RATE // 100)  # 10 ms
    out = samples.copy()
    out[: len(ramp)] *= ramp
    out[-len(ramp) :] *= ramp[::-1]
    return np.repeat(out[:, None], 2, axis=1)


@pytest.mark.parametrize(
    ("divisor", "level", "phase", "expected"),
    [
        (4, 0.50, 0.0, -6.0),
        (4, 0.50, 45.0, -6.0),
        (6, 0.50, 60.0, -6.0),
        (8, 0.50, 67.5, -6.0),
        (4, 1.41, 45.0, 3.0),
    ],
    ids=["case 15", "case 16", "case 17", "case 18", "case 19"],
)
def test_steady_tones_between_the_samples(divisor, level, phase, expected):
    n = np.arange(RATE)
    tone = level * np.sin(2 * np.pi * n / divisor + np.deg2rad(phase))
    assert -0.4 <= true_peak_db(tapered(tone), RATE) - expected <= 0.2


@pytest.mark.parametrize("offset", range(4), ids=[f"case {20 + k}" for k in range(4)])
def test_one_loud_period_among_quieter_ones(offset):
    """fs/6 at 0.50 with one period of fs/4 at 1.00, made at 4 fs and decimated at an offset."""
    from scipy.signal import firwin, oaconvolve

    high = 4 * RATE
    slow, fast = 2 * np.pi / 24, 2 * np.pi / 16  # radians per sample at 4 fs
    before = np.sin(slow * np.arange(24 * 1000)) * 0.5
    period = np.sin(fast * np.arange(16))
    after = np.sin(slow * np.arange(24 * 1000)) * 0.5
    signal = np.concatenate((before, period, after))
    low_pass = firwin(1023, 0.45 * RATE, fs=high)
    signal = oaconvolve(signal, low_pass, mode="same")[offset::4]
    assert -0.4 <= true_peak_db(tapered(signal), RATE) - 0.0 <= 0.2


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000, 192_000])
def test_never_below_the_sample_peak(rate):
    rng = np.random.default_rng(rate)
    noise = rng.uniform(-0.5, 0.5, (rate // 4, 2))
    assert true_peak_db(noise, rate) >= 20 * np.log10(np.abs(noise).max())


def test_silence_has_no_peak():
    assert true_peak_db(np.zeros((100, 1)), RATE) == float("-inf")
