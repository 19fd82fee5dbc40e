"""Clips: one loudness, one length, aligned; exchanged whole or not at all."""

import numpy as np
import pytest
import recordings
from recordings import RATE, Made

from panel.audio import loudness
from panel.errors import BadInput, Conflict, NotFound
from panel.stages.clips import prepare
from panel.stages.contrasts import asked
from panel.stages.plan import lock
from panel.stages.takes import intake


def test_clips_are_level_matched_and_aligned_with_what_was_undone_in_the_table(logged: Made):
    # Known truth: take n was delayed by 7 n samples and lowered by a factor 1 - 0.05 n.
    clips = prepare.prepare(logged.store, logged.id)
    assert [clip.take_key for clip in clips] == ["t01", "t02", "t03", "t04"]
    for number, clip in enumerate(clips):
        assert clip.delay_samples == pytest.approx(7 * number, abs=0.02)
        lowered = 20 * np.log10(1 - 0.05 * number)
        assert clip.gain_db - clips[0].gain_db == pytest.approx(-lowered, abs=0.05)
        assert not clip.inverted
    # ITU-R BS.1770-5 through our own meter, which has its oracles in tests/reference.
    levels = []
    for clip in clips:
        samples, rate = prepare.clip_samples(logged.store, logged.id, clip.take_key, "e1")
        assert (rate, samples.shape) == (RATE, (2 * RATE, 1))
        levels.append(loudness.for_clip(samples, rate)[0])
    assert max(levels) - min(levels) < 0.1  # as promised: matched to 0.1 dB
    assert clips[0].residual_db is None
    assert all(clip.residual_db < -40 for clip in clips[1:])


def test_level_can_be_left_as_recorded(logged: Made):
    prepare.set_level(logged.store, logged.id, "as_recorded")
    clips = prepare.prepare(logged.store, logged.id)
    assert len({round(clip.gain_db, 6) for clip in clips}) == 1
    lowered = 20 * np.log10(1 - 0.05 * 3)
    assert clips[3].loudness_lufs - clips[0].loudness_lufs == pytest.approx(lowered, abs=0.05)


def test_turned_polarity_is_seen_and_turned_back(logged: Made):
    sound = -recordings.music(9)
    intake.add_take(logged.store, logged.id, "turned.wav", [recordings.file(sound)])
    clips = prepare.prepare(logged.store, logged.id)
    assert [clip.inverted for clip in clips] == [False] * 4 + [True]
    first, _ = prepare.clip_samples(logged.store, logged.id, "t01", "e1")
    last, _ = prepare.clip_samples(logged.store, logged.id, "t05", "e1")
    assert np.corrcoef(first[:, 0], last[:, 0])[0, 1] > 0.99


@pytest.mark.parametrize(("kind", "amount"), [("level", 6.0), ("level", -3.0), ("shelf", 12.0)])
def test_planted_copy_differs_by_exactly_what_is_planted(logged: Made, kind: str, amount: float):
    asked.add_planted_check(
        logged.store, logged.id, take_key="t02", kind=kind, amount_db=amount, procedure="abx",
        votes_per_listener=2,
    )  # fmt: skip
    clips = prepare.prepare(logged.store, logged.id)
    assert [clip.take_key for clip in clips if clip.planted] == ["t02+check"]
    plain, rate = prepare.clip_samples(logged.store, logged.id, "t02", "e1")
    planted, _ = prepare.clip_samples(logged.store, logged.id, "t02+check", "e1")
    assert planted.shape == plain.shape
    gain = np.abs(np.fft.rfft(planted[:, 0])) / np.maximum(np.abs(np.fft.rfft(plain[:, 0])), 1e-9)
    hz = np.fft.rfftfreq(len(plain), 1 / rate)
    loud = np.abs(np.fft.rfft(plain[:, 0])) > 1.0
    low, high = np.median(gain[loud & (hz < 500)]), np.median(gain[loud & (hz > 4500)])
    # A level changes all alike; a shelf nothing far below its corner, and most of it above.
    assert 20 * np.log10(low) == pytest.approx(amount if kind == "level" else 0.0, abs=0.2)
    if kind == "level":
        assert 20 * np.log10(high) == pytest.approx(amount, abs=0.2)
    else:
        assert 0.75 * amount < 20 * np.log10(high) <= amount + 0.2


def test_nothing_passes_the_peak_limit_and_a_planted_gain_lowers_all_alike(empty: Made):
    for number in range(2):
        intake.add_take(
            empty.store, empty.id, "loud.wav", [recordings.take(number, gain=3.0 - 0.3 * number)]
        )
    intake.add_excerpt(empty.store, empty.id, 0.5, 2.5)
    asked.add_planted_check(
        empty.store, empty.id, take_key="t01", kind="level", amount_db=12, procedure="abx",
        votes_per_listener=2,
    )  # fmt: skip
    clips = prepare.prepare(empty.store, empty.id)
    levels = {clip.take_key: clip.loudness_lufs for clip in clips}
    assert levels["t01"] == pytest.approx(levels["t02"], abs=0.1)
    assert levels["t01+check"] - levels["t01"] == pytest.approx(12, abs=0.1)
    for clip in clips:
        samples, rate = prepare.clip_samples(empty.store, empty.id, clip.take_key, "e1")
        # EBU R 128: a true peak of at most -1 dBTP.
        assert loudness.true_peak_db(samples, rate) <= -1 + 0.01
        assert loudness.for_clip(samples, rate)[0] == pytest.approx(clip.loudness_lufs, abs=0.01)


@pytest.mark.parametrize("change", ["take", "excerpt", "level", "check"])
def test_clips_are_stale_after_a_change_and_good_after_preparing(ready: Made, change: str):
    assert not prepare.stale(ready.store, ready.id)
    if change == "take":
        intake.add_take(ready.store, ready.id, "new.wav", [recordings.take(9)])
    elif change == "excerpt":
        intake.add_excerpt(ready.store, ready.id, 0.3, 1.9)
    elif change == "level":
        prepare.set_level(ready.store, ready.id, "as_recorded")
    else:
        asked.add_planted_check(
            ready.store, ready.id, take_key="t02", kind="level", amount_db=3, procedure="abx",
            votes_per_listener=1,
        )  # fmt: skip
    assert prepare.stale(ready.store, ready.id)
    prepare.prepare(ready.store, ready.id)
    assert not prepare.stale(ready.store, ready.id)
    files = [name for name in recordings.stored(ready) if name.startswith("clip/")]
    assert len(files) == len(prepare.clips(ready.store, ready.id))  # no old file stays


def test_preparing_what_is_prepared_changes_nothing(ready: Made):
    before = recordings.stored(ready)
    prepare.prepare(ready.store, ready.id)
    assert recordings.stored(ready) == before


def test_failure_in_the_middle_leaves_the_old_clips_whole(ready: Made, monkeypatch):
    before = recordings.stored(ready)
    kept = prepare.clips(ready.store, ready.id)
    intake.add_excerpt(ready.store, ready.id, 0.3, 1.9)
    written = prepare._write
    calls = 0

    def fails(*args):
        nonlocal calls
        calls += 1
        if calls == 6:
            raise OSError("disk full")
        return written(*args)

    monkeypatch.setattr(prepare, "_write", fails)
    with pytest.raises(OSError, match="disk full"):
        prepare.prepare(ready.store, ready.id)
    assert calls == 6
    assert recordings.stored(ready) == before
    assert prepare.clips(ready.store, ready.id) == kept
    monkeypatch.undo()
    assert len(prepare.prepare(ready.store, ready.id)) == 10


def test_change_while_preparing_is_a_conflict_and_keeps_the_old_clips(ready: Made, monkeypatch):
    intake.add_excerpt(ready.store, ready.id, 0.3, 1.9)
    before = recordings.stored(ready)
    written = prepare._write

    def and_somebody_adds(*args):
        if len(intake.excerpts(ready.store, ready.id)) == 2:
            intake.add_excerpt(ready.store, ready.id, 0.1, 1.4)
        return written(*args)

    monkeypatch.setattr(prepare, "_write", and_somebody_adds)
    with pytest.raises(Conflict, match="changed while"):
        prepare.prepare(ready.store, ready.id)
    assert recordings.stored(ready) == before
    assert prepare.stale(ready.store, ready.id)


def test_progress_runs_from_the_beginning_to_the_end(logged: Made):
    steps = []
    prepare.prepare(logged.store, logged.id, lambda done, total: steps.append((done, total)))
    assert steps == sorted(steps)
    assert steps[0][0] == 0
    assert steps[-1][0] == steps[-1][1]


def test_nothing_to_prepare_is_told(empty: Made):
    with pytest.raises(BadInput, match="nothing to prepare"):
        prepare.prepare(empty.store, empty.id)


def test_silent_take_is_told_by_name(logged: Made):
    intake.add_take(
        logged.store, logged.id, "silence.wav", [recordings.file(np.zeros(3 * RATE))], label="mute"
    )
    with pytest.raises(BadInput, match="Take mute is silent"):
        prepare.prepare(logged.store, logged.id)
    assert prepare.clips(logged.store, logged.id) == []


def test_take_too_short_for_an_excerpt_is_told_by_name(logged: Made):
    """Unequal lengths, the short take coming last."""
    intake.add_take(
        logged.store, logged.id, "s.wav", [recordings.take(9, seconds=2.0)], label="short"
    )
    with pytest.raises(BadInput, match="Take short"):
        prepare.prepare(logged.store, logged.id)


def test_locked_clips_stay(ready: Made):
    lock.lock(ready.store, ready.id)
    for change in (
        lambda: prepare.prepare(ready.store, ready.id),
        lambda: prepare.set_level(ready.store, ready.id, "as_recorded"),
    ):
        with pytest.raises(Conflict, match="locked"):
            change()


def test_clip_that_is_not_there_is_not_found(ready: Made):
    with pytest.raises(NotFound):
        prepare.clip_samples(ready.store, ready.id, "t01", "e9")


def test_cache_is_bounded_and_cannot_be_written_to(ready: Made, monkeypatch):
    from panel.stages.clips import samples as cache

    monkeypatch.setattr(cache, "CACHE_BYTES", 2 * 2 * RATE * 8)  # two clips of 2 s
    for take in ("t01", "t02", "t03", "t04", "t01"):
        samples, _ = prepare.clip_samples(ready.store, ready.id, take, "e1")
        assert not samples.flags.writeable
    assert len(ready.store.clips["samples"]) == 2
    again, _ = prepare.clip_samples(ready.store, ready.id, "t01", "e1")
    assert again is samples


def test_measured_difference_finds_the_known_change_and_no_other(empty: Made):
    # Known truth: the second condition has 3 dB more in everything above 1 kHz but is otherwise
    # the same performance; retakes differ by noise only.
    adhesive = intake.add_factor(empty.store, empty.id, "adhesive", "named")
    for number in range(4):
        sound = recordings.music(number)
        if number % 2:
            spectrum = np.fft.rfft(sound)
            spectrum[np.fft.rfftfreq(len(sound), 1 / RATE) > 1000] *= 10 ** (3 / 20)
            sound = np.fft.irfft(spectrum, len(sound))
        view = intake.add_take(empty.store, empty.id, "x.wav", [recordings.file(sound)])
        intake.log_take(
            empty.store, empty.id, view.key, {adhesive: "epoxy" if number % 2 else "hide glue"}
        )
    intake.add_excerpt(empty.store, empty.id, 0.2, 2.8)
    asked.add_question(
        empty.store, empty.id, name="Adhesive", procedure="abx", factor=adhesive,
        conditions=asked.by_value(empty.store, empty.id, adhesive), votes_per_listener=4,
    )  # fmt: skip
    prepare.prepare(empty.store, empty.id)
    (entry,) = prepare.measured(empty.store, empty.id).contrasts
    assert (entry.first, entry.last) == ("hide glue", "epoxy")
    bands = {band.hz: band.difference_db for band in entry.bands}
    # Loudness is matched, so the step is what is known, not its two ends.
    assert bands[2000.0] - bands[500.0] == pytest.approx(3.0, abs=0.3)
    assert bands[400.0] - bands[500.0] == pytest.approx(0.0, abs=0.3)
    outside = {band.hz for band in entry.bands if band.outside_db}
    assert 2000.0 in outside


def test_measured_level_is_how_much_louder_the_takes_were_recorded(ready: Made):
    # Known truth: take n was lowered by a factor 1 - 0.05 n; hide glue has n = 0 and 3.
    (entry,) = prepare.measured(ready.store, ready.id).contrasts
    lowered = [20 * np.log10(1 - 0.05 * n) for n in range(4)]
    known = (lowered[1] + lowered[2]) / 2 - (lowered[0] + lowered[3]) / 2
    assert entry.gain_db == pytest.approx(known, abs=0.05)


def test_measured_without_retakes_says_so(logged: Made):
    sides = logged.sides()
    pair = [type(side)(side.label, side.takes[:1]) for side in sides]
    recordings.ask(logged, conditions=pair)
    prepare.prepare(logged.store, logged.id)
    (entry,) = prepare.measured(logged.store, logged.id).contrasts
    assert "no retake" in entry.sentence
    assert all(band.retake_low_db is None for band in entry.bands)
