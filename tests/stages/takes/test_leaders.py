"""Takes with a leader through the whole intake: cut, placed, aligned, measured; faults named."""

import numpy as np
import pytest
import recordings
import simulated_chain as chain
from recordings import Made

from panel.audio.leader import signal
from panel.errors import BadInput, Conflict
from panel.stages.clips import prepare as preparing
from panel.stages.clips import preview
from panel.stages.takes import intake, leaders

SHORT = signal.LAYOUTS["short"]


@pytest.fixture(scope="module")
def played() -> np.ndarray:
    return signal.make(chain.RATE, chain.music()[:, None], SHORT).samples[:, 0]


def add(made: Made, sound: np.ndarray, name: str = "take.wav", rate: int = chain.RATE):
    return intake.add_take(made.store, made.id, name, [chain.wav(sound, rate)])


def test_delay_and_clock_are_recovered_through_intake_and_preparing(empty: Made, played):
    """Known truth by the shift theorem and soxr: 0.02 samples, 0.1 ppm; turned polarity too."""
    truth = [(1200.3, 0.0), (4321.37, 35.0), (50.8, -60.0)]
    for number, (delay, ppm) in enumerate(truth):
        sound = chain.heard(
            played, delay=delay, ppm=ppm, gain=-0.8 if number == 1 else 0.9, noise=3e-5, seed=number
        )
        view = add(empty, sound, f"{number}.wav")
        begins = (delay + SHORT.music_at_s * chain.RATE) / (1 + ppm * 1e-6)
        assert view.music_at_s == pytest.approx(begins / chain.RATE, abs=1.01 / chain.RATE)
        assert 0 <= begins - view.music_at_s * chain.RATE < 1.001
    told = leaders.view(empty.store, empty.id).told
    for one, (delay, ppm) in zip(told, truth, strict=True):
        assert one.at_s * chain.RATE == pytest.approx(delay / (1 + ppm * 1e-6), abs=0.02)
        assert one.delay_s * chain.RATE == pytest.approx(
            delay / (1 + ppm * 1e-6) - truth[0][0], abs=0.03
        )
        assert one.drift_ppm == pytest.approx(ppm, abs=0.1)
    assert [one.inverted for one in told] == [False, True, False]
    intake.add_excerpt(empty.store, empty.id, 0.5, 3.5)
    first = intake.takes(empty.store, empty.id)[0]
    for clip, (delay, ppm), take in zip(
        preparing.prepare(empty.store, empty.id), truth, intake.takes(empty.store, empty.id),
        strict=True,
    ):  # fmt: skip
        step = 1 / (1 + ppm * 1e-6)
        # The sound at the middle of the excerpt in the first take's file, and in this one's.
        middle = 2.0 * chain.RATE
        at_first = middle + first.music_at_s * chain.RATE
        truly = (at_first - truth[0][0] + delay) * step - take.music_at_s * chain.RATE
        found = clip.delay_samples + middle / (1 + clip.drift_ppm * 1e-6)
        assert found == pytest.approx(truly, abs=0.02)
        assert clip.drift_ppm == pytest.approx(ppm, abs=0.1)
        assert clip.inverted == (clip.take_key == "t02")


def test_music_that_differs_between_takes_lies_where_the_leader_says(empty: Made):
    """Played live: no two alike, so there is nothing to align by but the leader."""
    rng = np.random.default_rng(4)
    alone = signal.make(chain.RATE, None, SHORT).samples[:, 0]
    for number, delay in enumerate((500.0, 9000.0)):
        own = 0.1 * rng.standard_normal(4 * chain.RATE)
        sound = np.concatenate((np.zeros(int(delay)), alone, own))
        add(empty, sound, f"{number}.wav")
    intake.add_excerpt(empty.store, empty.id, 0.5, 2.5)
    second = preparing.prepare(empty.store, empty.id)[1]
    assert second.delay_samples == pytest.approx(0.0, abs=0.02)
    assert second.drift_ppm == pytest.approx(0.0, abs=0.1)


def test_the_take_is_the_music_and_the_original_stays(empty: Made, played):
    content = chain.wav(np.concatenate((np.zeros(700), played)))
    view = intake.add_take(empty.store, empty.id, "a.wav", [content])
    assert view.seconds == pytest.approx(4.0, abs=1 / chain.RATE)
    assert view.overview.seconds == pytest.approx(4.0, abs=1 / chain.RATE)
    path, _ = intake.original(empty.store, empty.id, view.key)
    assert path.read_bytes() == content
    heard, _ = chain.opened(preview.span(empty.store, empty.id, view.key, 0.0, 4.0))
    assert heard[:, 0] == pytest.approx(chain.music(), abs=1e-6)
    intake.remove_take(empty.store, empty.id, view.key)
    assert recordings.stored(empty) <= {"incoming"}
    assert leaders.view(empty.store, empty.id).told == ()


def test_leader_missing_in_one_take_is_named_with_a_way_out(empty: Made, played):
    add(empty, chain.heard(played, delay=300), "with.wav")
    add(empty, chain.heard(chain.music(), delay=9000), "without.wav")
    add(empty, chain.heard(played, delay=800), "with too.wav")
    intake.add_excerpt(empty.store, empty.id, 0.5, 2.5)
    view = leaders.view(empty.store, empty.id)
    assert view.without == ("02",)
    with pytest.raises(BadInput, match="missing in take 02") as told:
        preparing.prepare(empty.store, empty.id)
    assert "Record that take again" in told.value.hint
    assert str(view.problem) == str(told.value)
    leaders.set_alignment(empty.store, empty.id, "music")
    clips = preparing.prepare(empty.store, empty.id)
    assert clips[1].delay_samples == pytest.approx(9000, abs=0.02)
    assert not preparing.stale(empty.store, empty.id)
    leaders.set_alignment(empty.store, empty.id, "leader")
    assert preparing.stale(empty.store, empty.id)


def test_sample_rate_changed_inside_a_session_is_named(empty: Made, played):
    import soxr

    sound = chain.heard(played, delay=300)
    add(empty, sound)
    add(empty, sound[50:])
    add(empty, soxr.resample(sound, chain.RATE, 44_100, "VHQ"), "other.wav", 44_100)
    intake.add_excerpt(empty.store, empty.id, 0.5, 2.5)
    with pytest.raises(BadInput, match=r"take 03 has 44,100 Hz, the others 48,000 Hz"):
        preparing.check_ready(empty.store, empty.id)
    leaders.set_alignment(empty.store, empty.id, "music")
    third = preparing.prepare(empty.store, empty.id)[2]
    assert third.rate == chain.RATE
    assert abs(third.delay_samples) < 2


def test_leader_made_at_another_rate_than_recorded_is_found(empty: Made):
    import soxr

    whole = signal.make(96_000, None, SHORT).samples[:, 0]
    sound = np.concatenate((soxr.resample(whole, 96_000, 44_100, "VHQ"), np.ones(44_100) * 0.01))
    view = add(empty, sound, "a.wav", 44_100)
    assert view.music_at_s == pytest.approx(SHORT.music_at_s, abs=2 / 44_100)


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        (lambda p: np.concatenate((p, p)), "holds the leader more than once"),
        (lambda p: p[: round(4.5 * chain.RATE)], "ends in the leader's sweep"),
        (lambda p: p[: round((SHORT.music_at_s - 0.7) * chain.RATE)], "ends before the leader"),
        (lambda p: p[: round(SHORT.music_at_s * chain.RATE)], "Nothing follows the leader"),
        (lambda p: p[round(1.2 * chain.RATE) :], "first chirp is missing"),
        (
            lambda p: np.delete(p, slice(round(8.5 * chain.RATE), round(8.7 * chain.RATE))),
            "chirps of the leader in “bad.wav” are",
        ),
        (
            lambda p: __import__("soxr").resample(p, chain.RATE, 44_100, "VHQ"),
            "recorded at about 44,100 Hz",
        ),
    ],
)  # fmt: skip
def test_a_faulty_leader_is_refused_in_a_sentence_and_nothing_is_kept(
    empty: Made, played, fault, sentence
):
    with pytest.raises(BadInput, match=sentence) as told:
        add(empty, fault(played), "bad.wav")
    assert "bad.wav" in told.value.message
    assert told.value.hint
    assert recordings.stored(empty) <= {"incoming"}
    assert intake.takes(empty.store, empty.id) == ()


def test_after_the_lock_the_alignment_stays(ready: Made):
    from panel.stages.plan import lock

    with pytest.raises(BadInput, match="by the leader"):
        leaders.set_alignment(ready.store, ready.id, "ear")
    lock.lock(ready.store, ready.id)
    with pytest.raises(Conflict):
        leaders.set_alignment(ready.store, ready.id, "music")


def test_takes_without_a_leader_are_prepared_as_ever(logged: Made):
    assert leaders.view(logged.store, logged.id).told == ()
    assert all(take.music_at_s == 0 for take in intake.takes(logged.store, logged.id))
    assert [clip.delay_samples for clip in preparing.prepare(logged.store, logged.id)] == (
        pytest.approx([0, 7, 14, 21], abs=0.02)
    )
