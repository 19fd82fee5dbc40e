"""Faults of a take: found where they are, and not where they are not."""

import numpy as np
import pytest

from panel.audio.intake.faults import clipped_stretches, of_set, of_take
from panel.audio.sound import Source

GOOD = Source("WAV", "PCM_24", 24, False)


def codes(samples, source=GOOD):
    return {warning.code for warning in of_take(samples, 48_000, source, "take 1")}


@pytest.mark.parametrize("hz", [20, 50, 440, 5000])
@pytest.mark.parametrize("bits", [16, 24])
def test_the_top_of_a_wave_is_no_clipping(hz, bits):
    tone = 0.999 * np.sin(2 * np.pi * hz * np.arange(48_000) / 48_000)[:, None]
    most = 2 ** (bits - 1)
    assert clipped_stretches(np.round(tone * most) / most) == 0


@pytest.mark.parametrize("hz", [50, 440])
@pytest.mark.parametrize("ceiling", [0.5, 0.9999])
def test_clipping_is_found_at_any_level(hz, ceiling):
    tone = np.sin(2 * np.pi * hz * np.arange(4800) / 48_000)[:, None] * 1.3 * ceiling
    assert clipped_stretches(np.clip(tone, -ceiling, ceiling)) >= 2 * hz // 10 - 2
    assert "clipping" in codes(np.clip(tone, -ceiling, ceiling))


def test_each_fault_by_its_code(make):
    music = make.musical(2, 1)
    assert codes(music) == set()
    assert "dc" in codes(music + 0.01)
    assert "silence" in codes(music * 1e-5)
    assert "over_full_scale" in codes(music / np.abs(music).max() * 1.5)
    assert "lossy" in codes(music, Source("MP3", "MPEG_LAYER_III", None, True))
    assert "coarse" in codes(music, Source("WAV", "PCM_16", 16, False))


def test_faults_of_a_set():
    lossy = Source("OGG", "VORBIS", None, True)
    assert of_set([GOOD, GOOD], [48_000, 48_000]) == ()
    assert of_set([lossy, lossy], [48_000, 48_000]) == ()
    found = {w.code for w in of_set([GOOD, lossy], [48_000, 44_100])}
    assert found == {"lossy_mixed", "rate_mismatch"}
