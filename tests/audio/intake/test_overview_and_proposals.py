"""Overview pictures and proposed excerpts on sound whose shape is known."""

import numpy as np
import pytest

from panel.audio.intake.overview import envelope
from panel.audio.prepare.propose import propose


def test_overview_of_a_known_shape(make):
    samples = np.concatenate(
        (np.zeros((1000, 2)), np.full((1000, 2), 0.5), np.full((1000, 2), -0.25))
    )
    found = envelope(samples, make.rate, 3)
    assert found.lowest.tolist() == [0.0, 0.5, -0.25]
    assert found.highest.tolist() == [0.0, 0.5, -0.25]
    assert found.rms == pytest.approx([0.0, 0.5, 0.25])
    assert found.seconds == pytest.approx(3000 / make.rate)


@pytest.mark.parametrize("frames", [0, 1, 7, 12_345])
def test_overview_of_any_length_misses_no_peak(make, frames):
    samples = np.random.default_rng(frames).standard_normal((frames, 1))
    found = envelope(samples, make.rate, 100)
    assert len(found.rms) == len(found.lowest) == max(1, min(100, frames))
    if frames:
        assert found.highest.max() == samples.max()
        assert found.lowest.min() == samples.min()


def test_proposals_lie_where_there_is_sound(make):
    quiet = np.zeros((2 * make.rate, 1))
    samples = np.concatenate((quiet, make.musical(4, 1), quiet, make.musical(9, 2), quiet))
    found = propose(make.sound(samples))
    assert 2 <= len(found) <= 3
    for proposal in found:
        assert 2.0 <= proposal.span.seconds <= 6.0
        inside = [(2.0, 6.0), (8.0, 17.0)]
        assert any(
            low - 0.05 <= proposal.span.start_s and proposal.span.end_s <= high + 0.05
            for low, high in inside
        )
    assert [p.span.start_s for p in found] == sorted(p.span.start_s for p in found)


def test_nothing_to_propose(make):
    assert propose(make.sound(np.zeros((make.rate, 1)))) == []
    assert propose(make.sound(make.musical(1, 1))) == []
