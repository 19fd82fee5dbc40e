"""The leader: made as stated, found where it was put, and missed in plain words."""

import numpy as np
import pytest

from panel.audio.align.take import align
from panel.audio.leader import find
from panel.audio.leader import signal as leader
from panel.audio.loudness import integrated, true_peak_db
from panel.errors import BadInput


@pytest.fixture(scope="module")
def played():
    """Leader and 4 s of noise that fades, 48 kHz, one channel."""
    rng = np.random.default_rng(1)
    music = 0.1 * rng.standard_normal((4 * 48_000, 1))
    return leader.make(48_000, music).samples


@pytest.mark.parametrize("rate", leader.RATES)
def test_every_rate_has_the_same_times_and_loudness(rate):
    made = leader.make(rate)
    assert made.samples.shape == (17 * rate, 1)
    assert integrated(made.samples, rate) == pytest.approx(-23.0, abs=0.05)
    assert true_peak_db(made.samples, rate) <= leader.PEAK_DB
    layout = leader.USUAL
    for part in (leader.RISING_AT_S, leader.SWEEP_AT_S, layout.falling_at_s, layout.music_at_s):
        assert part * rate == pytest.approx(round(part * rate), abs=1e-6)
    quiet = made.samples[round(layout.sweep_end_s * rate) + 1 : round(layout.falling_at_s * rate)]
    assert len(quiet) > 4 * rate - 0.5 * rate
    assert not quiet.any()


@pytest.mark.parametrize("level", [0.3, 0.02])
def test_it_is_never_louder_than_the_music_and_leaves_the_music_alone(make, level):
    music = make.musical(5, 1, channels=2) * level
    made = leader.make(make.rate, music)
    own = made.samples[: round(made.music_at_s * make.rate)]
    assert integrated(own, make.rate) <= integrated(music, make.rate) + 0.01
    assert true_peak_db(own, make.rate) <= true_peak_db(music, make.rate) + 0.01
    assert made.loudness_lufs == pytest.approx(integrated(own, make.rate), abs=0.05)
    assert np.array_equal(made.samples[len(own) :], music)


@pytest.mark.parametrize("rate", [8_000, 47_999, 384_000])
def test_other_rates_are_refused(rate):
    with pytest.raises(BadInput, match="cannot be made"):
        leader.make(rate)


@pytest.mark.parametrize(
    ("delay", "ppm", "snr_db", "gain"),
    [(0.0, 0.0, None, 1.0), (4321.37, 0.0, 40, -0.5), (50_000.25, 100.0, 30, 0.2),
     (777.7, -60.0, 15, -1.0)],
)  # fmt: skip
def test_found_to_a_part_of_a_sample_with_clock_and_polarity(
    make, played, delay, ppm, snr_db, gain
):
    later = make.delayed(played, delay, len(played) + 60_000)
    take = gain * (make.drifted(later, ppm) if ppm else later)
    if snr_db is not None:
        take = make.with_noise(take, snr_db, 3)
    found = find.find(take, make.rate)
    assert found.start == pytest.approx(delay / (1 + ppm * 1e-6), abs=0.02)
    assert found.drift_ppm == pytest.approx(ppm, abs=0.1)
    assert found.inverted == (gain < 0)
    assert found.position(leader.USUAL.music_at_s) == pytest.approx(
        (delay + leader.USUAL.music_at_s * make.rate) / (1 + ppm * 1e-6), abs=0.03
    )


@pytest.mark.parametrize("corner_hz", [100.0, 1000.0])
def test_what_equipment_does_to_the_chirps_does_not_look_like_a_clock(make, played, corner_hz):
    from scipy.signal import butter, sosfilt

    take = sosfilt(butter(2, corner_hz, "high", fs=make.rate, output="sos"), played, axis=0)
    take = sosfilt(butter(1, 4000, "low", fs=make.rate, output="sos"), take, axis=0)
    found = find.find(make.with_noise(take, 40, 4), make.rate)
    assert found.drift_ppm == pytest.approx(0.0, abs=0.1)


def test_a_leader_made_at_another_rate_than_the_take_is_found(make):
    import soxr

    take = soxr.resample(leader.make(96_000).samples, 96_000, 44_100, "VHQ")
    found = find.find(np.concatenate((np.zeros((1000, 1)), take)), 44_100)
    assert found.start == pytest.approx(1000, abs=0.02)
    assert found.drift_ppm == pytest.approx(0, abs=0.1)


def test_two_takes_lie_as_their_music_says(make, played):
    first = make.with_noise(make.delayed(played, 100.5, len(played) + 5000), 50, 5)
    second = -make.with_noise(
        make.drifted(make.delayed(played, 2000.8, len(played) + 5000), 30.0), 50, 6
    )
    a, b = find.find(first, make.rate), find.find(second, make.rate)
    told = find.hint(a, b)
    heard = align(first[a.music_at :], second[b.music_at :], make.rate)
    assert told.delay_samples == pytest.approx(heard.delay_samples, abs=0.03)
    assert told.drift_ppm == pytest.approx(heard.drift_ppm, abs=0.3)
    assert a.inverted != b.inverted
    assert heard.inverted


def test_cut_to_the_music(make, played):
    take = make.sound(np.concatenate((np.zeros((777, 1)), played)))
    found = find.find(take.samples, make.rate)
    cut = find.music(take, found)
    assert abs(cut.frames - 4 * make.rate) <= 1
    assert np.allclose(cut.samples[-1000:], played[-1000:])


def test_in_a_stereo_take_one_channel_may_be_empty(make, played):
    take = np.concatenate((np.zeros_like(played), played), axis=1)
    assert find.find(take, make.rate).start == pytest.approx(0, abs=0.01)


@pytest.mark.parametrize("kind", ["plucked", "noise", "music"])
def test_music_without_a_leader_has_none(make, kind):
    assert find.find(make.material[kind](20, 3, channels=2), make.rate) is None
    assert find.find(np.zeros((make.rate, 1)), make.rate) is None
    assert find.find(np.zeros((10, 1)), make.rate) is None


def session(make, *sounds, rates=None):
    rates = rates or [make.rate] * len(sounds)
    names = [f"take {number}" for number in range(1, len(sounds) + 1)]
    found = [
        find.find(sound, rate, name) for sound, rate, name in zip(sounds, rates, names, strict=True)
    ]
    find.check_session(names, rates, found)
    return found


def test_leader_missing_in_one_take_is_named(make, played):
    with pytest.raises(BadInput, match="missing in take 2"):
        session(make, played, played[17 * make.rate :], played)
    bare = make.plucked(3, 1)
    assert session(make, bare, bare) == [None, None]


def test_leader_twice_is_named_with_its_places(make, played):
    with pytest.raises(BadInput, match=r"more than once: .* 0\.5 s and 21\.5 s"):
        find.find(np.concatenate((played, played)), make.rate, "take 1")


@pytest.mark.parametrize(
    ("seconds", "told"), [(6.0, "ends in the leader's sweep"), (14.0, "ends before the leader")]
)
def test_a_file_that_ends_early_is_named(make, played, seconds, told):
    with pytest.raises(BadInput, match=told):
        find.find(played[: round(seconds * make.rate)], make.rate, "take 1")


def test_a_take_that_begins_late_or_has_a_hole_is_named(make, played):
    with pytest.raises(BadInput, match="first chirp is missing"):
        find.find(played[3 * make.rate :], make.rate)
    hole = np.delete(played, np.arange(5 * make.rate, 5.2 * make.rate).astype(int), axis=0)
    with pytest.raises(BadInput, match="apart"):
        find.find(hole, make.rate)


def test_sample_rate_change_inside_a_session_is_named(make, played):
    import soxr

    other = soxr.resample(played, make.rate, 44_100, "VHQ")
    with pytest.raises(BadInput, match=r"take 3 has 44,100 Hz, the others 48,000 Hz"):
        session(make, played, played, other, rates=[make.rate, make.rate, 44_100])


def test_a_take_under_a_wrong_label_is_named(make, played):
    """Recorded at 44.1 kHz, labelled 48 kHz."""
    import soxr

    with pytest.raises(BadInput, match="recorded at about 44,100 Hz"):
        find.find(soxr.resample(played, make.rate, 44_100, "VHQ"), make.rate)


def test_nothing_after_the_leader(make):
    take = make.sound(leader.make(make.rate).samples)
    with pytest.raises(BadInput, match="Nothing follows"):
        find.music(take, find.find(take.samples, make.rate))


@pytest.mark.parametrize("length", ["short", "long"])
def test_each_length_is_told_by_its_chirps(make, length):
    layout = leader.LAYOUTS[length]
    made = leader.make(make.rate, make.plucked(2, 1), layout)
    found = find.find(make.with_noise(make.delayed(made.samples, 300.5), 40, 1), make.rate)
    assert found.layout.key == length
    assert found.start == pytest.approx(300.5, abs=0.02)
    assert found.drift_ppm == pytest.approx(0, abs=0.15)
    for cut_s, told in (
        (leader.SWEEP_AT_S + 0.6 * layout.sweep.seconds, "ends in the leader's sweep"),
        (layout.sweep_end_s + 0.5, "ends before the leader"),
    ):
        with pytest.raises(BadInput, match=told):
            find.find(made.samples[: round(cut_s * make.rate)], make.rate)


def test_a_chirp_in_the_music_is_no_leader(make):
    """A sound effect like the leader's own chirp, with nothing of a leader around it."""
    take = make.plucked(20, 5)
    for rising, at in ((True, 6), (False, 11)):
        sound = 0.3 * leader.chirp(make.rate, rising=rising)
        alone = take.copy()
        alone[at * make.rate : at * make.rate + len(sound), 0] += sound
        assert find.find(alone, make.rate) is None


def test_a_second_microphone_further_away_does_not_look_like_a_clock(make, played):
    """As loud in both channels, 3 ms later in one of them."""
    rng = np.random.default_rng(3)
    pair = np.hstack([make.delayed(played, 144.3, len(played) + 500),
                      make.delayed(played, 0.0, len(played) + 500)])  # fmt: skip
    for _ in range(3):
        found = find.find(pair + 3e-4 * rng.standard_normal(pair.shape), make.rate)
        assert found.drift_ppm == pytest.approx(0, abs=0.1)
        assert min(abs(found.start), abs(found.start - 144.3)) < 0.02


def hour(make, places, seconds, rate=12_000, seed=9):
    """A short leader at each of the places (in seconds), in a long recording at a low rate."""
    whole = np.random.default_rng(seed).normal(0, 0.01, (round(seconds * rate), 1))
    signal = leader.signal(rate, leader.LAYOUTS["short"])[:, None] * 0.1
    for at in places:
        begin = round(at * rate)
        piece = whole[begin : begin + len(signal)]
        piece += signal[: len(piece)]
    return whole


# The second lies across the end of the first piece that is looked through; the third in both.
@pytest.mark.parametrize("at_s", [650.0, 236.0, 215.0])
def test_a_leader_late_in_a_long_take_is_found(make, at_s):
    found = find.find(hour(make, [at_s], 700), 12_000)
    assert found.start == pytest.approx(at_s * 12_000, abs=0.1)


@pytest.mark.parametrize("later_s", [225.0, 660.0])
def test_a_leader_twice_is_named_however_late_the_second(make, later_s):
    with pytest.raises(BadInput, match=rf"more than once: .* 1\.5 s and {later_s + 0.5:.1f} s"):
        find.find(hour(make, [1.0, later_s], 700), 12_000, "take 1")


def test_a_long_take_that_ends_in_the_sweep_is_named(make):
    with pytest.raises(BadInput, match=r"ends in the leader's sweep, after 700\.0 s"):
        find.find(hour(make, [695.0], 700), 12_000, "take 1")
