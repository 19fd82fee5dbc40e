"""Headphone trials against what their papers describe.

Woods, Siegel, Traer & McDermott 2017, Atten. Percept. Psychophys. 79, 2064-2072: three 200 Hz
tones, one 6 dB down, one 180 degrees out of phase. Milne et al. 2021, Behav. Res. Methods 53,
1551-1562: three noises, one with a narrow band turned by 180 degrees between the ears; 600 Hz
and 6 % come from an excerpt of the authors' page, not from the paper.
"""

import numpy as np
import pytest

from panel.audio.listener_checks.headphones import antiphase, huggins
from panel.audio.loudness import true_peak_db, ungated
from panel.errors import BadInput


def intervals(trial):
    rate = trial.rate
    for k in range(3):
        begin = round((0.25 + 1.5 * k) * rate)
        yield trial.samples[begin : begin + rate]


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("seed", range(6))
def test_antiphase_trial_over_headphones_and_over_one_loudspeaker(rate, seed):
    trial = antiphase(np.random.default_rng(seed), rate)
    ears = [10 * np.log10(np.square(part).sum()) for part in intervals(trial)]
    mixed = [np.square(part.sum(axis=1)).sum() for part in intervals(trial)]
    quiet = int(np.argmin(ears))
    assert quiet == trial.right
    others = [level for k, level in enumerate(ears) if k != quiet]
    assert others[0] == pytest.approx(others[1], abs=1e-6)
    assert others[0] - ears[quiet] == pytest.approx(6.0, abs=0.01)
    # Where left and right meet, the out-of-phase one vanishes and misleads.
    assert int(np.argmin(mixed)) != trial.right
    for part in intervals(trial):
        spectrum = np.abs(np.fft.rfft(part[:, 0]))
        assert np.argmax(spectrum) == 200


@pytest.mark.parametrize("seed", range(4))
def test_huggins_trial_differs_only_between_the_ears(seed):
    trial = huggins(np.random.default_rng(seed))
    for k, part in enumerate(intervals(trial)):
        middle = part[4800:-4800]  # inside the ramps
        left, right = np.fft.rfft(middle, axis=0).T
        hz = np.fft.rfftfreq(len(middle), 1 / trial.rate)
        inside = (hz > 570) & (hz < 630)
        outside = (hz > 700) & (hz < 5000)
        together = np.real(left * right.conj())
        power = np.abs(left) ** 2
        expected = -1 if k == trial.right else 1
        assert together[inside].sum() / power[inside].sum() == pytest.approx(expected, abs=0.05)
        assert together[outside].sum() / power[outside].sum() == pytest.approx(1.0, abs=0.01)
        assert (np.abs(right) ** 2).sum() == pytest.approx(power.sum(), rel=0.01)


@pytest.mark.parametrize("trial", [antiphase, huggins])
def test_never_louder_than_stated_and_without_clicks(trial):
    made = trial(np.random.default_rng(1), 48_000, -35.0)
    assert max(ungated(part, made.rate) for part in intervals(made)) == pytest.approx(-35, abs=0.1)
    assert true_peak_db(made.samples, made.rate) < -6.0
    for part in intervals(made):
        assert np.abs(part[:3]).max() < 1e-4
        assert np.abs(part[-3:]).max() < 1e-4
    with pytest.raises(BadInput):
        trial(np.random.default_rng(1), 48_000, -3.0)


@pytest.mark.parametrize("trial", [antiphase, huggins])
def test_each_interval_is_right_equally_often(trial, monkeypatch):
    counts = np.zeros(3)
    for seed in range(60):
        counts[trial(np.random.default_rng(seed), 8_000).right] += 1
    # Chi-squared with 2 degrees of freedom: 13.8 is passed once in 1,000.
    assert ((counts - 20) ** 2 / 20).sum() < 13.8
