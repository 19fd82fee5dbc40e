"""Measured difference: the truth that was put in comes out."""

import json

import numpy as np
import pytest

from panel.audio.measure.difference import (
    NOMINAL_HZ,
    band_edges,
    band_powers,
    measure,
    third_octave_difference,
)
from panel.audio.measure.retakes import retake_band
from panel.audio.prepare.planted import change
from panel.audio.sound import Sound
from panel.errors import BadInput

KEYS = {
    "delay_samples", "gain_db", "drift_ppm", "inverted", "residual_db", "loudness_lufs",
    "third_octave", "corner_hz", "shelf", "same_performance", "warnings",
}  # fmt: skip


@pytest.mark.parametrize("kind", ["plucked", "noise", "music"])
@pytest.mark.parametrize("channels", [1, 2])
def test_delay_gain_and_polarity_together(make, kind, channels):
    a = make.material[kind](3, 5, channels=channels)
    b = -0.5 * make.delayed(a, 4321.3, 4 * make.rate)
    found = measure(make.sound(a), make.sound(make.with_noise(b, 50, 1)))
    assert found.delay_samples == pytest.approx(4321.3, abs=0.02)
    assert found.gain_db == pytest.approx(20 * np.log10(0.5), abs=0.02)
    assert found.inverted
    assert found.drift_ppm == 0.0


def test_json_has_exactly_the_promised_keys_and_no_infinities(make):
    a = make.plucked(2, 5)
    told = measure(make.sound(a), make.sound(a)).to_json()
    assert set(told) == KEYS
    assert set(told["third_octave"][0]) == {"hz", "difference_db"}
    json.dumps(told, allow_nan=False)
    assert told["delay_samples"] == pytest.approx(0.0, abs=1e-6)
    assert told["residual_db"] <= -150
    assert told["same_performance"] is True
    assert (told["corner_hz"], told["shelf"], told["warnings"]) == (None, None, [])
    assert all(abs(band["difference_db"]) < 1e-6 for band in told["third_octave"])


def test_residual_is_the_noise_that_was_added(make):
    a = make.musical(4, 6)
    found = measure(make.sound(a), make.sound(make.with_noise(a, 30, 2)))
    # White noise 30 dB under the signal, of which 0.92 lies in the band that is compared.
    assert found.residual_db == pytest.approx(-30.0 + 10 * np.log10(0.92), abs=0.1)


def test_loudness_is_of_each_as_recorded(make):
    a = make.musical(4, 6)
    found = measure(make.sound(a), make.sound(0.25 * a))
    assert found.loudness_lufs[1] - found.loudness_lufs[0] == pytest.approx(-12.04, abs=0.01)


@pytest.mark.parametrize("kind", ["plucked", "noise"])
def test_a_shelf_is_recovered_after_delay_drift_and_gain(make, kind):
    from scipy.signal import freqz

    from panel.audio.prepare.planted import high_shelf

    a = make.material[kind](6, 7)
    b = make.drifted(make.delayed(change(a, make.rate, "shelf", 3.0), 200.5, 7 * make.rate), 25.0)
    found = measure(make.sound(a), make.sound(0.5 * b))
    assert found.drift_ppm == pytest.approx(25.0, abs=0.3)
    # The closed form of the filter; inside a band it is flat enough away from the corner.
    bands = {hz: d + found.gain_db - 20 * np.log10(0.5) for hz, d in found.third_octave}
    far = [hz for hz in bands if 100 <= hz <= 1000 or 8000 <= hz <= 16000]
    response = 20 * np.log10(
        np.abs(freqz(*high_shelf(make.rate, 3.0, 3000.0), far, fs=make.rate)[1])
    )
    assert [bands[hz] for hz in far] == pytest.approx(list(response), abs=0.05)


def test_rates_and_channels_may_differ(make):
    import soxr

    a = make.plucked(3, 8, channels=1)
    slow = soxr.resample(make.delayed(a, 960.0, 4 * make.rate), make.rate, 44_100, "VHQ")
    found = measure(make.sound(a), make.sound(np.repeat(slow, 2, axis=1), 44_100))
    assert found.delay_samples == pytest.approx(960.0, abs=0.02)
    assert {w.code for w in found.warnings} >= {"rate_mismatch", "mono_and_stereo"}


def test_different_performances_are_named(make):
    found = measure(make.sound(make.plucked(4, 1)), make.sound(make.plucked(4, 2)))
    told = found.to_json()
    json.dumps(told, allow_nan=False)
    assert told["same_performance"] is False
    assert (told["corner_hz"], told["shelf"]) == (None, None)
    named = {warning["code"]: warning["sentence"] for warning in told["warnings"]}
    assert "not the same performance" in named["low_correlation"]


@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize("samples", [np.zeros((48_000, 1)), np.ones((100, 1))])
def test_nothing_to_measure(make, which, samples):
    pair = [make.sound(make.plucked(1, 1)), Sound(samples, make.rate, make.source)]
    with pytest.raises(BadInput):
        measure(*(pair if which else pair[::-1]))


def test_bands_meet_at_the_edges_of_iec_61260():
    # IEC 61260-1, base ten: edges of the 1 kHz third-octave band 891.25 and 1122.02 Hz.
    assert band_edges(0) == pytest.approx((891.2509, 1122.0185), abs=1e-4)
    for index in range(-17, 13):
        assert band_edges(index)[1] == pytest.approx(band_edges(index + 1)[0])
    # Nominal frequencies are the exact ones rounded to within 2 %.
    for i, hz in enumerate(NOMINAL_HZ):
        assert hz == pytest.approx(1000 * 10 ** ((i - 17) / 10), rel=0.02)


@pytest.mark.parametrize(
    ("nominal", "low", "middle", "high"),
    [
        (20.0, 17.7828, 19.9526, 22.3872), (31.5, 28.1838, 31.6228, 35.4813),
        (80.0, 70.7946, 79.4328, 89.1251), (100.0, 89.1251, 100.0, 112.2018),
        (500.0, 446.6836, 501.1872, 562.3413), (3150.0, 2818.383, 3162.278, 3548.134),
        (8000.0, 7079.458, 7943.282, 8912.509), (20_000.0, 17_782.79, 19_952.62, 22_387.21),
    ],
)  # fmt: skip
def test_exact_edges_of_the_bands(nominal, low, middle, high):
    """IEC 61260-1:2014, 5.2 to 5.4, base ten: 1000 * 10^(n / 10), edges 10^(1 / 20) away."""
    found = band_edges(NOMINAL_HZ.index(nominal) - 17)
    assert found == pytest.approx((low, high), rel=2e-6)
    assert np.sqrt(found[0] * found[1]) == pytest.approx(middle, rel=2e-6)


@pytest.mark.parametrize(
    ("hz", "nominal"),
    [(891.0, 800.0), (891.5, 1000.0), (1121.9, 1000.0), (1122.2, 1250.0), (8912.0, 8000.0),
     (8913.0, 10_000.0), (70.6, 63.0), (71.0, 80.0)],
)  # fmt: skip
def test_a_tone_on_either_side_of_an_edge_falls_into_its_own_band(make, hz, nominal):
    n = np.arange(20 * make.rate)
    power = band_powers(np.sin(2 * np.pi * hz * n / make.rate)[:, None], make.rate)
    assert NOMINAL_HZ[int(np.nanargmax(power))] == nominal
    assert np.nanmax(power) > 0.7 * np.nansum(power)


@pytest.mark.parametrize("hz", [100.0, 900.0, 1110.0, 10_000.0])
def test_a_tone_counts_in_its_own_band(make, hz):
    n = np.arange(4 * make.rate)
    tone = np.sin(2 * np.pi * hz * n / make.rate)[:, None]
    base = make.noisy(4, 1) * 1e-3
    changed = third_octave_difference(base, base + tone, make.rate)
    loudest = max(changed, key=lambda band: band.difference_db)
    index = NOMINAL_HZ.index(loudest.hz) - 17
    assert band_edges(index)[0] <= hz <= band_edges(index)[1]


def test_retake_band_names_where_the_contrast_leaves_it(make):
    """Retakes vary by +-0.3 dB above 3 kHz; the change is a shelf of 2 dB there."""
    base = make.noisy(3, 1)
    first = [change(base, make.rate, "shelf", g) for g in (0.15, -0.15, 0.1)]
    second = [change(base, make.rate, "shelf", 2 + g) for g in (0.15, -0.15, 0.1)]
    found = retake_band(first, second, make.rate)
    bands = {band.hz: band for band in found.bands}
    assert bands[10_000.0].difference_db == pytest.approx(2.0, abs=0.05)
    assert bands[10_000.0].retake_high_db == pytest.approx(0.3, abs=0.05)
    assert bands[10_000.0].outside_db == pytest.approx(1.7, abs=0.1)
    assert bands[100.0].outside_db == pytest.approx(0.0, abs=0.01)
    assert "Larger than retakes vary" in found.sentence
    assert "kHz" in found.sentence
    assert "audible" not in found.sentence
    same = retake_band(first, first[::-1], make.rate)
    assert "within what retakes vary by" in same.sentence


def test_no_retake_no_band(make):
    with pytest.raises(BadInput, match="retake"):
        retake_band([make.noisy(1, 1)], [make.noisy(1, 2)], make.rate)
