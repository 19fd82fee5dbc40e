"""Files with more than two channels: nothing guessed, and the choice holds wherever sound is."""

import numpy as np
import pytest
import recordings
from recordings import RATE, Made

from panel.errors import BadInput, Conflict, NotFound, TooLarge
from panel.stages.clips import prepare, preview
from panel.stages.contrasts import asked
from panel.stages.plan import lock
from panel.stages.takes import channel_choice, intake
from panel.stages.takes.intake import Limits

LIMITS = Limits()
GAINS = (0.5, 0.0, 1.0, 0.25)


def four(seed: int = 0, delay: int = 0) -> np.ndarray:
    """Channel n holds music of its own at GAINS[n]; the second is silent."""
    tracks = [
        gain * (recordings.music(seed, delay=delay) if number % 2 == 0 else other(seed, delay))
        for number, gain in enumerate(GAINS)
    ]
    return np.stack(tracks, axis=1)


def other(seed: int, delay: int) -> np.ndarray:
    return np.roll(recordings.music(seed)[::-1], delay)


def send(made: Made, sound: np.ndarray, name: str = "four.wav", **limits):
    return channel_choice.take_or_wait(
        made.store, made.id, name, [recordings.file(sound)], limits=Limits(**limits)
    )


def test_four_channels_wait_with_each_level_and_picture_told(empty: Made):
    sound = four()
    view = send(empty, sound)
    assert isinstance(view, channel_choice.WaitingView)
    assert channel_choice.waiting(empty.store, empty.id) == (view,)
    assert intake.takes(empty.store, empty.id) == ()
    assert [track.number for track in view.tracks] == [1, 2, 3, 4]
    first, silent, third, fourth = view.tracks
    for track, column in ((first, 0), (third, 2), (fourth, 3)):
        assert track.rms_db == pytest.approx(
            10 * np.log10(np.square(sound[:, column]).mean()), abs=0.01
        )
        assert track.peak_db == pytest.approx(
            20 * np.log10(np.abs(sound[:, column]).max()), abs=0.01
        )
        assert max(track.overview.highest) == pytest.approx(sound[:, column].max(), abs=1e-4)
    # A gain is a difference in loudness: closed form, 20 log of the ratio.
    assert third.loudness_lufs - first.loudness_lufs == pytest.approx(6.02, abs=0.05)
    assert (silent.rms_db, silent.peak_db, silent.loudness_lufs) == (None, None, None)


@pytest.mark.parametrize("channels", [(3, 4), (4, 3), (1,)])
def test_chosen_channels_are_the_take_and_the_file_stays_whole(empty: Made, channels):
    sound = four()
    content = recordings.file(sound)
    waits = channel_choice.take_or_wait(empty.store, empty.id, "four.wav", [content], limits=LIMITS)
    view = channel_choice.choose(empty.store, empty.id, waits.id, channels, limits=LIMITS)
    assert view.kept_channels == channels
    assert view.channels == len(channels)
    assert channel_choice.waiting(empty.store, empty.id) == ()
    path, name = intake.original(empty.store, empty.id, view.key)
    assert (path.read_bytes(), name) == (content, "four.wav")
    kept = sound[:, [number - 1 for number in channels]]
    assert max(view.overview.highest) == pytest.approx(kept.max(), abs=1e-4)


def test_the_choice_holds_in_preview_proposals_and_clips(empty: Made):
    sounds = [four(number, delay=5 * number) for number in range(2)]
    for sound in sounds:
        waits = send(empty, sound)
        channel_choice.choose(empty.store, empty.id, waits.id, (3, 4), limits=LIMITS)
    heard, rate = _wav(preview.span(empty.store, empty.id, "t01", 0.5, 1.5))
    assert rate == RATE
    expected = sounds[0][RATE // 2 : RATE + RATE // 2, [2, 3]]
    assert np.abs(heard - expected).max() < 3 * 2.0**-23
    preview.proposals(empty.store, empty.id)  # which reads the first take
    intake.add_excerpt(empty.store, empty.id, 0.5, 2.5)
    clips = prepare.prepare(empty.store, empty.id)
    assert clips[1].delay_samples == pytest.approx(5, abs=0.02)
    samples, _ = prepare.clip_samples(empty.store, empty.id, "t01", "e1")
    assert samples.shape == (2 * RATE, 2)
    for column in (0, 1):
        middle = slice(RATE // 2, 3 * RATE // 2)  # away from the fades
        there = sounds[0][RATE // 2 :, 2 + column][middle]
        assert np.corrcoef(samples[middle, column], there)[0, 1] > 0.9999


def test_two_pairs_of_one_file_are_two_takes_and_the_same_pair_is_a_copy(empty: Made):
    views = []
    for channels in ((1, 3), (4,), (3, 1)):
        waits = send(empty, four())
        views.append(
            channel_choice.choose(empty.store, empty.id, waits.id, channels, limits=LIMITS)
        )
    # One file, kept once; the third holds the same channels as the first, exchanged.
    assert [view.same_as for view in views] == ["", "", views[0].label]
    assert len(recordings.stored(empty)) == 1
    for view in views:
        intake.remove_take(empty.store, empty.id, view.key)
    assert recordings.stored(empty) == set()


@pytest.mark.parametrize("channels", [(), (0,), (5,), (1, 5), (2, 2), (1, 2, 3)])
def test_wrong_choice_is_refused_and_the_file_waits_on(empty: Made, channels):
    waits = send(empty, four())
    before = recordings.stored(empty)
    with pytest.raises(BadInput) as refused:
        channel_choice.choose(empty.store, empty.id, waits.id, channels, limits=LIMITS)
    assert refused.value.hint
    assert channel_choice.waiting(empty.store, empty.id) == (waits,)
    assert recordings.stored(empty) == before
    assert intake.takes(empty.store, empty.id) == ()


def test_discarded_file_leaves_nothing_unless_a_take_has_it(empty: Made):
    first, second = send(empty, four()), send(empty, four())
    channel_choice.choose(empty.store, empty.id, first.id, (1, 2), limits=LIMITS)
    channel_choice.discard(empty.store, empty.id, second.id)
    assert len(recordings.stored(empty)) == 1
    intake.remove_take(empty.store, empty.id, "t01")
    assert recordings.stored(empty) == set()
    with pytest.raises(NotFound):
        channel_choice.discard(empty.store, empty.id, second.id)


def test_removing_a_take_leaves_the_file_that_still_waits(empty: Made):
    first, second = send(empty, four()), send(empty, four())
    view = channel_choice.choose(empty.store, empty.id, first.id, (1, 2), limits=LIMITS)
    intake.remove_take(empty.store, empty.id, view.key)
    channel_choice.choose(empty.store, empty.id, second.id, (1, 2), limits=LIMITS)


def test_bad_files_leave_nothing(empty: Made):
    broken = four()
    broken[100, 3] = np.nan
    content = recordings.file(broken, words="FLOAT")
    with pytest.raises(BadInput, match="not numbers"):
        channel_choice.take_or_wait(empty.store, empty.id, "x.wav", [content], limits=LIMITS)
    with pytest.raises(BadInput, match="17 channels"):
        send(empty, np.tile(recordings.music()[:, None], 17))
    with pytest.raises(TooLarge):
        send(empty, four(), seconds=2.0)
    with pytest.raises(TooLarge):
        send(empty, four(), bytes=1000)
    assert recordings.stored(empty) == set()
    assert channel_choice.waiting(empty.store, empty.id) == ()


def test_nobody_reaches_what_waits_in_another_study(empty: Made):
    waits = send(empty, four())
    for act in (
        lambda: channel_choice.one(empty.store, empty.id + 1, waits.id),
        lambda: channel_choice.choose(empty.store, empty.id + 1, waits.id, (1,), limits=LIMITS),
        lambda: channel_choice.discard(empty.store, empty.id + 1, waits.id),
    ):
        with pytest.raises(NotFound):
            act()
    assert channel_choice.waiting(empty.store, empty.id) == (waits,)


def test_after_the_lock_what_waits_can_only_be_removed(ready: Made):
    waits = send(ready, four())
    lock.lock(ready.store, ready.id)
    with pytest.raises(Conflict):
        channel_choice.choose(ready.store, ready.id, waits.id, (1,), limits=LIMITS)
    with pytest.raises(Conflict):
        send(ready, four(1))
    channel_choice.discard(ready.store, ready.id, waits.id)
    assert channel_choice.waiting(ready.store, ready.id) == ()


def _wav(content: bytes) -> tuple[np.ndarray, int]:
    import io

    import soundfile

    return soundfile.read(io.BytesIO(content), always_2d=True)


def test_takes_of_different_channels_are_named_beside_their_contrast(empty: Made):
    adhesive = intake.add_factor(empty.store, empty.id, "adhesive", "named")
    for number, (value, channels) in enumerate(
        [("hide glue", (1, 3)), ("epoxy", (1, 3)), ("epoxy", (4, 3))]
    ):
        waits = send(empty, four(number))
        view = channel_choice.choose(empty.store, empty.id, waits.id, channels, limits=LIMITS)
        intake.log_take(empty.store, empty.id, view.key, {adhesive: value})
    for takes, expected in (
        (("t02",), ()),
        (
            ("t02", "t03"),
            (
                "Take 01 is channels 1 and 3 of its file, take 03 is channels 4 and 3 of its file: "
                "if those are other microphones, that alone can be heard.",
            ),
        ),
    ):
        asked.add_question(
            empty.store, empty.id, name=f"With {len(takes)}", procedure="abx", factor=adhesive,
            conditions=[
                asked.Condition("hide glue", ("t01",)), asked.Condition("epoxy", takes)
            ],
            votes_per_listener=4,
        )  # fmt: skip
        found = asked.contrasts(empty.store, empty.id)[-1]
        assert tuple(w for w in found.warnings if "channels" in w) == expected


def test_the_plan_names_the_channels_and_only_where_they_were_chosen(ready: Made):
    waits = send(ready, np.stack([recordings.music(7, gain=gain) for gain in GAINS], axis=1))
    channel_choice.choose(ready.store, ready.id, waits.id, (3,), limits=LIMITS)
    prepare.prepare(ready.store, ready.id)
    lock.lock(ready.store, ready.id)
    takes = lock.locked(ready.store, ready.id).document()["takes"]
    assert [take.get("channels") for take in takes] == [None, None, None, None, [3]]
