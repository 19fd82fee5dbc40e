"""What is heard before the study: as loud as its clips, never louder, and plainly different."""

import io
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy.stats import binom
from small_study import build

from panel.audio import rehearsal
from panel.settings import load
from panel.stages import listen, rehearse
from panel.store.opening import open_store
from panel.store.session import Store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(load(data=tmp_path))


@pytest.fixture
def link(store: Store) -> str:
    link = build(store, procedures=("abx",), votes=1).links[0]
    listen.consent(store, link)
    return link


def loudness(wav: bytes) -> float:
    sound, rate = soundfile.read(io.BytesIO(wav))
    return pyloudnorm.Meter(rate).integrated_loudness(sound)


def test_the_level_reference_is_as_loud_as_the_clips(store: Store, link: str) -> None:
    wav, rate = rehearse.level_reference(store, link)
    assert rate == 48_000
    # The small study's clips say -23 LUFS. Oracle: pyloudnorm, which reads 0.04 LU low.
    assert loudness(wav) == pytest.approx(-23.0, abs=0.1)


def test_check_and_practice_are_no_louder_than_the_clips(store: Store, link: str) -> None:
    check = rehearse.headphone_check(store, link)
    assert len(check.wavs) == 6
    assert len({len(wav) for wav in check.wavs}) == 1
    practice = rehearse.practice(store, link, "abx")
    for wav in (*check.wavs, *practice.prints.wavs):
        # Under 3 s the project weighs without the gate, and the oracle has one: 0.04 to
        # 0.15 LU apart here.
        assert loudness(wav) <= -22.8


def test_the_practice_pair_is_plainly_different() -> None:
    dull, bright = rehearsal.practice_pair(np.random.default_rng(3), 48_000)
    assert dull.shape == bright.shape

    def above(sound: np.ndarray, hz: float) -> float:
        power = np.abs(np.fft.rfft(sound[:, 0])) ** 2
        return power[np.fft.rfftfreq(len(sound), 1 / 48_000) > hz].sum() / power.sum()

    # Ten times the share above 2 kHz: more than any listener needs (common practice, no source).
    assert above(bright, 2000) > 10 * above(dull, 2000)
    assert np.sqrt(np.mean(dull**2)) == pytest.approx(np.sqrt(np.mean(bright**2)))


def test_guessing_passes_the_check_as_seldom_as_is_said() -> None:
    # Three choices, six trials: 1.78 % (binomial); the better of two attempts 3.5 %.
    passing = [right for right in range(7) if rehearse.passed(right)]
    once = binom.pmf(passing, 6, 1 / 3).sum()
    assert once == pytest.approx(0.0178, abs=5e-5)
    assert 1 - (1 - once) ** listen.CHECKS_ALLOWED == pytest.approx(0.035, abs=5e-4)
