"""Notes of known decay and known beginnings: the truth that was put in comes out."""

import numpy as np
import pytest

from panel.audio.measure.envelope import STAGES, compare, onsets

RATE = 48_000
BEGINS_S = (0.3, 1.2, 2.1, 3.0)


def notes(begins=BEGINS_S, decay_s=0.3, hz=900.0, seconds=4.0):
    """Tones of one height that die away as exp(-t / decay)."""
    t = np.arange(round(seconds * RATE)) / RATE
    out = np.zeros(len(t))
    for begin in begins:
        since = t - begin
        tone = np.sin(2 * np.pi * hz * since) * np.exp(-since / decay_s)
        out = np.where(since >= 0, tone, out)
    return [0.5 * out[:, None]]


def test_every_onset_is_found_once():
    found = onsets(notes()[0], RATE)
    assert found / 1000 == pytest.approx(list(BEGINS_S), abs=0.003)


def test_a_steady_tone_has_none():
    t = np.arange(2 * RATE) / RATE
    tone = 0.3 * np.sin(2 * np.pi * 440 * t)[:, None]
    assert not len(onsets(tone, RATE))
    assert compare([[tone]], [[0.9 * tone]], RATE) is None


def test_a_longer_decay_raises_each_stage_by_the_closed_form():
    """Mean power of exp(-2 t / d) from a to b: d / 2 (exp(-2 a / d) - exp(-2 b / d)) / (b - a)."""
    found = compare([notes(decay_s=0.3)], [notes(decay_s=0.5)], RATE)
    assert found.onsets == len(BEGINS_S)
    assert [(s.from_s, s.to_s) for s in found.stages] == list(STAGES)
    for stage in found.stages[1:]:  # the first lies within the window of the onset itself
        power = [
            decay / 2 * (np.exp(-2 * stage.from_s / decay) - np.exp(-2 * stage.to_s / decay))
            for decay in (0.3, 0.5)
        ]
        assert stage.difference_db == pytest.approx(10 * np.log10(power[1] / power[0]), abs=0.1)
        assert stage.retakes_db is None
    assert abs(found.stages[0].difference_db) < 0.3
    assert found.onset_ms == pytest.approx(0.0, abs=0.05)


def test_notes_that_begin_early_and_late_are_measured_in_milliseconds():
    late = (4, -4, 4, -4)
    moved = notes([b + ms / 1000 for b, ms in zip(BEGINS_S, late, strict=True)])
    found = compare([notes()], [moved], RATE)
    assert found.onset_ms == pytest.approx(4.0, abs=0.2)  # RMS of +-4 about a median of 0


def test_retakes_are_told_beside():
    first = [notes(decay_s=0.30), notes(decay_s=0.31)]
    found = compare(first, [notes(decay_s=0.5), notes(decay_s=0.5)], RATE)
    last = found.stages[-1]
    # At 0.25 to 0.7 s a decay of 0.31 s leaves some 0.4 dB more than one of 0.30 s.
    assert 0.2 < last.retakes_db < 0.6 < last.difference_db
    assert found.onset_retakes_ms == pytest.approx(0.0, abs=0.1)
