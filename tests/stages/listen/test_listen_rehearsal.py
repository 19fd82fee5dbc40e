"""What is heard before the study: as loud as its clips, never louder, and plainly different."""

import io
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy.signal import lfilter
from scipy.stats import binom
from small_study import build

from panel.audio.listener_checks import rehearsal
from panel.settings import load
from panel.stages.listen import check_results, headphone_check, rehearse, visit
from panel.store.opening import open_store
from panel.store.session import Store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(load(data=tmp_path))


@pytest.fixture
def link(store: Store) -> str:
    link = build(store, procedures=("abx",), votes=1).links[0]
    visit.consent(store, link)
    return link


def loudness(wav: bytes) -> float:
    sound, rate = soundfile.read(io.BytesIO(wav))
    return pyloudnorm.Meter(rate).integrated_loudness(sound)


def ungated_loudness(wav: bytes) -> float:
    """ITU-R BS.1770 without its gate, by pyloudnorm's filters (1 or 2 channels)."""
    sound, rate = soundfile.read(io.BytesIO(wav), always_2d=True)
    for stage in pyloudnorm.Meter(rate)._filters.values():
        sound = stage.passband_gain * lfilter(stage.b, stage.a, sound, axis=0)
    return float(10 * np.log10(np.sum(np.mean(sound**2, axis=0))) - 0.691)


def test_the_level_reference_is_as_loud_as_the_clips(store: Store, link: str) -> None:
    wav, rate = rehearse.level_reference(store, link)
    assert rate == 48_000
    # The small study's clips say -23 LUFS. Oracle: pyloudnorm, which reads 0.04 LU low.
    assert loudness(wav) == pytest.approx(-23.0, abs=0.1)


def test_check_and_practice_are_no_louder_than_the_clips(store: Store, link: str) -> None:
    check = headphone_check.headphone_check(store, link)
    assert check.kind == "antiphase"
    assert len(check.wavs) == len(check.right) == 6
    assert len({len(wav) for wav in check.wavs}) == 1
    practice = rehearse.practice(store, link, "abx")
    for wav in (*check.wavs, *practice.prints.wavs):
        # Under 3 s the project weighs without the gate: so must the oracle, for what the gate
        # adds depends on the sound drawn.
        assert ungated_loudness(wav) <= -23.0 + 0.05


def test_the_practice_pair_is_plainly_different() -> None:
    dull, bright = rehearsal.practice_pair(np.random.default_rng(3), 48_000)
    assert dull.shape == bright.shape

    def above(sound: np.ndarray, hz: float) -> float:
        power = np.abs(np.fft.rfft(sound[:, 0])) ** 2
        return power[np.fft.rfftfreq(len(sound), 1 / 48_000) > hz].sum() / power.sum()

    # Ten times the share above 2 kHz: more than any listener needs (common practice, no source).
    assert above(bright, 2000) > 10 * above(dull, 2000)
    assert np.sqrt(np.mean(dull**2)) == pytest.approx(np.sqrt(np.mean(bright**2)))


@pytest.mark.parametrize(
    ("kind", "least", "once", "twice"),
    # Three choices, six trials (binomial). Pass at five: Woods et al. 2017, Atten. Percept.
    # Psychophys. 79, 2064-2072; at six: Milne et al. 2021, Behav. Res. Methods 53, 1551-1562
    # (both numbers from memory).
    [("antiphase", 5, 0.0178, 0.035), ("huggins", 6, 0.00137, 0.00274)],
)
def test_guessing_passes_the_check_as_seldom_as_is_said(
    kind: str, least: int, once: float, twice: float
) -> None:
    passing = [right for right in range(7) if headphone_check.passed(kind, right)]
    assert passing == list(range(least, 7))
    chance = binom.pmf(passing, 6, 1 / 3).sum()
    assert chance == pytest.approx(once, rel=0.01)
    assert 1 - (1 - chance) ** check_results.CHECKS_ALLOWED == pytest.approx(twice, rel=0.02)


def test_a_plan_with_the_hidden_pitch_gives_that_check_and_mono_has_none_of_it(
    store: Store,
) -> None:
    rule = {"planted_least_right": None, "headphones": "record", "headphone_check": "huggins"}
    link = build(store, procedures=("abx",), votes=1, exclusion=rule).links[0]
    assert visit.consent(store, link).check_kind == "huggins"
    check = headphone_check.headphone_check(store, link)
    assert check.kind == "huggins"
    for wav, right in zip(check.wavs, check.right, strict=True):
        sound, rate = soundfile.read(io.BytesIO(wav))
        # Huggins and Cramer 1958: the two ears are alike but for a band around 600 Hz, where one
        # is turned; what is left of that band when both are summed tells which interval it is.
        parts = [sound[round((0.25 + 1.5 * i) * rate) :][:rate] for i in range(3)]
        tone = []
        for part in parts:
            spectrum = np.abs(np.fft.rfft(part.sum(axis=1))) ** 2
            hz = np.fft.rfftfreq(len(part), 1 / rate)
            band = (hz > 575) & (hz < 625)
            near = ((hz > 450) & (hz < 550)) | ((hz > 650) & (hz < 750))
            tone.append(spectrum[band].mean() / spectrum[near].mean())
        assert int(np.argmin(tone)) == right
        # One ear alone has nothing to go by: the same noise floor in the band as beside it.
        left = np.abs(np.fft.rfft(parts[right][:, 1])) ** 2
        assert left[band].mean() / left[near].mean() > 0.3
