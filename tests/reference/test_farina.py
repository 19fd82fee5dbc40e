"""The sweep against closed forms: static nonlinearities, filters by scipy, and lines in noise.

Farina 2000 (AES 108th Convention, preprint 5093, from memory): each order of distortion has an
impulse response of its own. For y = a x + b x^2 + c x^3 and a sine of amplitude A, by the formulas
for powers of the sine (any handbook): fundamental a A + 3/4 c A^3, second harmonic b A^2 / 2,
third c A^3 / 4.
"""

import numpy as np
import pytest

from panel.audio.leader import find, response, signal, silence

RATE = 48_000
PLAIN = signal.signal(RATE)[:, None]


def heard(samples, rate=RATE):
    found = find.find(samples, rate)
    return response.measure(samples, found)[0]


@pytest.mark.parametrize(("b", "c"), [(0.05, 0.02), (0.002, -0.01), (-0.1, 0.0)])
def test_harmonics_of_a_known_curve(b, c):
    a, amplitude = 0.8, 0.5
    x = amplitude * PLAIN
    found = heard(a * x + b * x**2 + c * x**3)
    fundamental = a * amplitude + 0.75 * c * amplitude**3
    in_db = lambda value: 20 * np.log10(abs(value))  # noqa: E731
    # Above a third of half the rate the curve's own harmonics fold back: that is the test's doing.
    inside = (found.hz >= 40) & (found.hz <= 7_000)
    assert found.magnitude_db[inside] == pytest.approx(in_db(fundamental), abs=0.001)
    truth = {2: b * amplitude**2 / 2, 3: c * amplitude**3 / 4, 4: 0.0, 5: 0.0}
    for one in found.distortion:
        middle = (one.hz >= 60) & (one.hz <= 3_000)
        level = one.level_db[middle]
        if truth[one.order]:
            assert level == pytest.approx(in_db(truth[one.order] / fundamental), abs=0.05)
        else:
            assert level.max() < -120


def test_fifth_and_fourth_order_too():
    """sin^4 = (3 - 4 cos 2 + cos 4) / 8; sin^5 = (10 sin - 5 sin 3 + sin 5) / 16."""
    x = 0.5 * PLAIN
    found = heard(x + 0.2 * x**4 + 0.4 * x**5)
    fundamental = 0.5 + 0.4 * 0.5**5 * 10 / 16
    truth = {
        2: 0.2 * 0.5**4 / 2,
        3: 0.4 * 0.5**5 * 5 / 16,
        4: 0.2 * 0.5**4 / 8,
        5: 0.4 * 0.5**5 / 16,
    }
    for one in found.distortion:
        middle = (one.hz >= 60) & (one.hz <= 3_000)
        expected = 20 * np.log10(truth[one.order] / fundamental)
        assert one.level_db[middle] == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("corner", [32.88, 159.2])
def test_a_low_cut_has_the_response_of_the_closed_form(corner):
    """22 nF into 220 kOhm and 1 nF into 1 MOhm (common practice, no source)."""
    from scipy.signal import bilinear, lfilter

    w = 2 * RATE * np.tan(np.pi * corner / RATE)
    found = heard(lfilter(*bilinear([1, 0], [1, w], RATE), PLAIN, axis=0))
    inside = (found.hz >= 40) & (found.hz <= 16_000)
    expected = -10 * np.log10(1 + (corner / found.hz[inside]) ** 2)
    assert found.magnitude_db[inside] == pytest.approx(expected, abs=0.05)


def test_a_filter_of_scipy_through_delay_clock_and_noise():
    import soxr
    from scipy.signal import butter, sosfilt, sosfreqz

    sos = butter(2, [150, 6000], "band", fs=RATE, output="sos")
    take = 0.2 * np.concatenate((np.zeros((4567, 1)), PLAIN, np.zeros((RATE, 1))))
    take = soxr.resample(sosfilt(sos, take, axis=0), RATE * (1 + 80e-6), RATE, "VHQ")
    take += 1e-5 * np.random.default_rng(1).standard_normal(take.shape)
    found = heard(take)
    inside = (found.hz >= 60) & (found.hz <= 12_000)
    expected = 20 * np.log10(0.2 * np.abs(sosfreqz(sos, found.hz[inside], fs=RATE)[1]))
    assert found.magnitude_db[inside] == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_other_rates(rate):
    x = 0.5 * signal.signal(rate)[:, None]
    found = heard(x + 0.05 * x**2, rate)
    assert found.at(1000) == pytest.approx(20 * np.log10(0.5), abs=0.001)
    second = found.distortion[0]
    middle = (second.hz >= 60) & (second.hz <= 3_000)
    assert second.level_db[middle] == pytest.approx(20 * np.log10(0.05 * 0.25 / 2 / 0.5), abs=0.05)


@pytest.mark.parametrize("mains", [50.0, 60.0, 49.93, 59.97])
def test_noise_and_hum_of_known_level(mains):
    rng = np.random.default_rng(2)
    t = np.arange(len(PLAIN))[:, None] / RATE
    levels = {1: 1e-3, 3: 5e-4, 5: 1e-4}
    hum = sum(a * np.sin(2 * np.pi * mains * k * t + k) for k, a in levels.items())
    take = 0.1 * PLAIN + hum + 1e-4 * rng.standard_normal(PLAIN.shape)
    (found,) = silence.measure(take, find.find(take, RATE))
    assert found.noise_dbfs == pytest.approx(-80.0, abs=0.1)
    assert found.hum.mains_hz == pytest.approx(mains, rel=5e-4)
    told = {round(line.hz / mains): line.dbfs for line in found.hum.lines}
    assert set(told) == set(levels)
    for k, amplitude in levels.items():
        assert told[k] == pytest.approx(20 * np.log10(amplitude / np.sqrt(2)), abs=0.3)
    power = sum(a * a / 2 for a in levels.values())
    assert found.hum.dbfs == pytest.approx(10 * np.log10(power), abs=0.1)
    assert found.total_dbfs == pytest.approx(10 * np.log10(power + 1e-8), abs=0.1)


@pytest.mark.parametrize("seed", range(6))
def test_noise_alone_has_no_hum(seed):
    noise = np.random.default_rng(seed).standard_normal(3 * RATE) * 1e-3
    if seed % 2:  # falling spectrum, as of a real input
        from scipy.signal import lfilter

        noise = lfilter([0.02], [1, -0.98], noise)
    found = silence.of_stretch(noise, RATE)
    assert found.hum is None
    assert found.noise_dbfs == pytest.approx(10 * np.log10(noise.var()), abs=0.01)


def test_digital_silence():
    found = silence.of_stretch(np.zeros(3 * RATE), RATE)
    assert found.hum is None
    assert found.noise_dbfs == -np.inf


@pytest.mark.parametrize("rate", [8_000, 11_025, 32_000])
def test_a_take_at_a_rate_that_cannot_hold_all_of_it(rate):
    """Resampled by soxr; what lies under half the rate is measured, flat as it is."""
    import soxr

    take = 0.5 * soxr.resample(PLAIN, RATE, rate, "VHQ")
    found = heard(take, rate)
    inside = found.hz >= 40
    assert found.hz[-1] <= 0.45 * rate
    assert found.magnitude_db[inside] == pytest.approx(20 * np.log10(0.5), abs=0.02)
