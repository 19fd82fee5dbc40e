"""`fairhearing measure A B --json` prints the truth that was put into a pair of files.

Tolerances: 0.02 sample RMS with noise 40 dB down, 0.1 ppm over 60 s, 0.05 dB for the closed forms
of a first-order low cut (1 / (2 pi R C)) and of a shelf. Files are 24-bit WAV, all sound invented.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from scipy.signal import bilinear, lfilter
from typer.testing import CliRunner

from panel.audio.measure.difference import NOMINAL_HZ, band_edges
from panel.cli import app

RATE = 48_000


def noise(seed: int, seconds: float = 4.0, channels: int = 1) -> np.ndarray:
    return 0.08 * np.random.default_rng(seed).standard_normal((round(seconds * RATE), channels))


def plucked(seed: int, seconds: float = 4.0, channels: int = 1) -> np.ndarray:
    """Decaying harmonic tones, bright at the start."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    out = np.zeros((n, channels))
    for begin in np.arange(0.2, seconds - 0.5, 0.4):
        at = int((begin + rng.uniform(-0.1, 0.2)) * RATE)
        t = np.arange(n - at)[:, None] / RATE
        hz = rng.choice([98, 131, 196, 220, 262, 330, 440])
        for k in range(1, 20):
            pan = rng.uniform(0.3, 1, channels)
            tone = np.sin(2 * np.pi * k * hz * t + rng.uniform(0, 6)) * np.exp(-(2 + k) * t)
            out[at:] += pan * tone / k
    return 0.25 * out / np.abs(out).max()


def later(samples: np.ndarray, delay: float) -> np.ndarray:
    """By any fraction of a sample, by the shift theorem over a padded spectrum."""
    size = 2 * len(samples)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * delay)
    moved = np.fft.irfft(np.fft.rfft(samples, size, axis=0) * turn[:, None], size, axis=0)
    return moved[: len(samples) + int(delay) + 1]


def with_noise(samples: np.ndarray, snr_db: float, seed: int) -> np.ndarray:
    level = samples.std() * 10 ** (-snr_db / 20)
    return samples + level * np.random.default_rng(seed).standard_normal(samples.shape)


def low_cut(samples: np.ndarray, hz: float) -> np.ndarray:
    w = 2 * RATE * np.tan(np.pi * hz / RATE)
    return lfilter(*bilinear([1, 0], [1, w], RATE), samples, axis=0)


def shelf(samples: np.ndarray, hz: float, gain_db: float) -> np.ndarray:
    """(1 + s sqrt(A)) / (1 + s / sqrt(A)), s = j f / hz: A far above, its root at hz."""
    root = 10 ** (gain_db / 40)
    w = 2 * RATE * np.tan(np.pi * hz / RATE)
    return lfilter(*bilinear([root, w], [1 / root, w], RATE), samples, axis=0)


def measured(folder: Path, a: np.ndarray, b: np.ndarray) -> dict:
    for name, sound in (("a.wav", a), ("b.wav", b)):
        soundfile.write(folder / name, sound, RATE, subtype="PCM_24")
    done = CliRunner().invoke(
        app, ["measure", str(folder / "a.wav"), str(folder / "b.wav"), "--json"]
    )
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


@pytest.mark.parametrize("material", [plucked, noise])
def test_delay_within_a_fiftieth_of_a_sample_with_noise_40_db_down(tmp_path: Path, material):
    errors = []
    for seed, delay in enumerate((17.3, 480.5, 9001.25)):
        a = material(seed, 4.0)
        found = measured(
            tmp_path, with_noise(a, 40, 90 + seed), with_noise(later(a, delay), 40, seed)
        )
        errors.append(found["delay_samples"] - delay)
        assert found["same_performance"] is True
    assert np.sqrt(np.mean(np.square(errors))) < 0.02


@pytest.mark.parametrize("ppm", [-37.0, 2.4])
def test_drift_within_a_tenth_ppm_over_a_minute(tmp_path: Path, ppm: float):
    a = noise(6, 60.0)
    # As a clock fast by `ppm` leaves it, by an independent library.
    b = soxr.resample(a, RATE * (1 + ppm * 1e-6), RATE, "VHQ")
    found = measured(tmp_path, with_noise(a, 40, 1), with_noise(b, 40, 2))
    assert found["drift_ppm"] == pytest.approx(ppm, abs=0.1)


def test_gain_and_polarity(tmp_path: Path):
    a = plucked(3)
    found = measured(tmp_path, a, -a * 10 ** (-7.3 / 20))
    assert found["inverted"] is True
    assert found["gain_db"] == pytest.approx(-7.3, abs=0.02)
    assert found["loudness_lufs"][1] - found["loudness_lufs"][0] == pytest.approx(-7.3, abs=0.05)
    assert found["residual_db"] < -80


def test_exchanged_channels_are_named_and_put_back(tmp_path: Path):
    a = plucked(4, channels=2)
    found = measured(tmp_path, a, later(a, 100.0)[:, ::-1])
    assert "swapped" in {warning["code"] for warning in found["warnings"]}
    assert found["residual_db"] < -60
    straight = measured(tmp_path, a, later(a, 100.0))
    assert "swapped" not in {warning["code"] for warning in straight["warnings"]}


def band_levels(a: np.ndarray, response, low_hz: float = 30.0) -> dict[float, float]:
    """What `response` makes of `a` in each third octave, between the exact edges of IEC 61260-1."""
    power = np.square(np.abs(np.fft.rfft(a[:, 0])))
    hz = np.fft.rfftfreq(len(a), 1 / RATE)
    out = {}
    for i, nominal in enumerate(NOMINAL_HZ):
        low, high = band_edges(i - 17)
        if low > low_hz and high < 20_000:
            there = (hz >= low) & (hz < high)
            changed = power[there] @ np.square(np.abs(response(hz[there])))
            out[nominal] = 10 * np.log10(changed / power[there].sum())
    return out


# A low cut of 22 nF into 220 kΩ (32.88 Hz) and of 2.2 nF into 1 MΩ (72.34 Hz); two shelves.
CURVES = {
    "22 nF, 220 kΩ": (lambda x: low_cut(x, 32.883), lambda hz: 1 / (1 + 32.883 / (1j * hz))),
    "2.2 nF, 1 MΩ": (lambda x: low_cut(x, 72.343), lambda hz: 1 / (1 + 72.343 / (1j * hz))),
    "shelf +1.2 dB": (
        lambda x: shelf(x, 3000, 1.2),
        lambda hz: (
            (1 + 1j * warped(hz, 3000) * 10 ** (1.2 / 40))
            / (1 + 1j * warped(hz, 3000) / 10 ** (1.2 / 40))
        ),
    ),
    "shelf -4 dB": (
        lambda x: shelf(x, 800, -4.0),
        lambda hz: (
            (1 + 1j * warped(hz, 800) * 10 ** (-4 / 40))
            / (1 + 1j * warped(hz, 800) / 10 ** (-4 / 40))
        ),
    ),
}


def warped(hz: np.ndarray, middle: float) -> np.ndarray:
    """The bilinear transform's axis: what the test's own filter really does."""
    return np.tan(np.pi * hz / RATE) / np.tan(np.pi * middle / RATE)


@pytest.mark.parametrize("name", CURVES)
def test_third_octaves_follow_the_closed_form_within_a_twentieth_of_a_db(tmp_path: Path, name: str):
    made, response = CURVES[name]
    a = noise(7, 12.0)
    found = measured(tmp_path, a, 0.5 * later(made(a), 250.4))
    truth = band_levels(a, response)
    bands = {band["hz"]: band["difference_db"] for band in found["third_octave"]}
    off = {hz: bands[hz] + found["gain_db"] - 20 * np.log10(0.5) - truth[hz] for hz in truth}
    assert len(off) > 25
    assert max(map(abs, off.values())) < 0.05, off


@pytest.mark.parametrize("material", [plucked, noise])
@pytest.mark.parametrize("corner", [32.883, 72.343])
def test_the_corner_comes_back_and_its_curve_within_a_twentieth_of_a_db(
    tmp_path: Path, material, corner: float
):
    a = material(8)
    found = measured(
        tmp_path, with_noise(a, 70, 1), with_noise(later(low_cut(a, corner), 33.3), 70, 2)
    )
    assert found["shelf"] is None
    for hz in (60.0, 82.41, 200.0):
        truth, told = (-10 * np.log10(1 + (c / hz) ** 2) for c in (corner, found["corner_hz"]))
        assert told == pytest.approx(truth, abs=0.05)


@pytest.mark.parametrize("material", [plucked, noise])
def test_the_shelf_comes_back_within_a_twentieth_of_a_db(tmp_path: Path, material):
    a = material(9)
    b = later(shelf(a, 3000.0, 1.2), 12.7)
    found = measured(tmp_path, with_noise(a, 70, 1), with_noise(b, 70, 2))
    assert found["corner_hz"] is None
    assert found["shelf"]["gain_db"] == pytest.approx(1.2, abs=0.05)
    assert found["shelf"]["hz"] == pytest.approx(3000.0, rel=0.05)


def test_takes_of_two_performances_are_named_and_nothing_is_subtracted(tmp_path: Path):
    found = measured(tmp_path, plucked(1), plucked(2))
    assert found["same_performance"] is False
    assert found["residual_db"] is None
    assert (found["corner_hz"], found["shelf"]) == (None, None)
    assert "low_correlation" in {warning["code"] for warning in found["warnings"]}
    assert found["third_octave"]  # what can be compared still is
    words = CliRunner().invoke(app, ["measure", str(tmp_path / "a.wav"), str(tmp_path / "b.wav")])
    assert "not the same performance, so nothing can be subtracted" in words.stdout
