"""Planting a check makes its copies alone, wherever the clips that are there have the headroom."""

import numpy as np
import pytest
import recordings
from recordings import Made

from panel.audio import loudness
from panel.stages.clips import planting, prepare
from panel.stages.contrasts import asked
from panel.stages.plan import lock
from panel.stages.takes import intake
from panel.store.files import FileStore


def check(made: Made, amount: float, kind: str = "level", take: str = "t02") -> str:
    return asked.add_planted_check(
        made.store, made.id, take_key=take, kind=kind, amount_db=amount, procedure="abx",
        votes_per_listener=2,
    )  # fmt: skip


def samples(made: Made) -> dict[str, np.ndarray]:
    return {
        clip.take_key: prepare.clip_samples(made.store, made.id, clip.take_key, "e1")[0].copy()
        for clip in prepare.clips(made.store, made.id)
    }


def room(made: Made) -> float:
    """Headroom of take t02 in dB below -1 dBTP."""
    clip, rate = prepare.clip_samples(made.store, made.id, "t02", "e1")
    return -1 - loudness.true_peak_db(clip, rate)


@pytest.mark.parametrize(("kind", "amount"), [("level", -3.0), ("shelf", 2.0), ("level", 0.5)])
def test_only_the_copy_is_made_and_it_is_what_preparing_all_gives(ready: Made, kind, amount):
    assert room(ready) > 3  # or this test would prove nothing
    before, kept = recordings.stored(ready), prepare.clips(ready.store, ready.id)
    key = check(ready, amount, kind)
    assert prepare.stale(ready.store, ready.id)
    assert planting.plant(ready.store, ready.id)
    assert not prepare.stale(ready.store, ready.id)
    added = recordings.stored(ready) - before
    assert before < recordings.stored(ready)
    assert [name.split("/")[-1].startswith(f"t02+{key}-e1-") for name in added] == [True]
    now = prepare.clips(ready.store, ready.id)
    assert [clip for clip in now if clip.take_key != f"t02+{key}"] == kept
    alone, view = samples(ready), next(c for c in now if c.take_key == f"t02+{key}")
    # The same study with all of its clips made anew.
    prepare.set_level(ready.store, ready.id, "as_recorded")
    prepare.set_level(ready.store, ready.id, "matched")
    intake.add_excerpt(ready.store, ready.id, 0.2, 1.2)
    prepare.prepare(ready.store, ready.id)
    for take, sound in samples(ready).items():
        assert np.allclose(sound, alone[take], rtol=0, atol=1e-12), take
    again = next(
        c for c in prepare.clips(ready.store, ready.id)
        if (c.take_key, c.excerpt_key) == (f"t02+{key}", "e1")
    )  # fmt: skip
    assert view.loudness_lufs == pytest.approx(again.loudness_lufs, abs=1e-6)
    assert (view.gain_db, view.delay_samples, view.residual_db) == pytest.approx(
        (again.gain_db, again.delay_samples, again.residual_db)
    )


def test_a_copy_that_needs_more_headroom_waits_for_all_to_be_prepared(ready: Made):
    before = recordings.stored(ready)
    check(ready, room(ready) + 2)
    assert not planting.plant(ready.store, ready.id)
    assert recordings.stored(ready) == before
    assert prepare.stale(ready.store, ready.id)
    clips = prepare.prepare(ready.store, ready.id)
    assert not prepare.stale(ready.store, ready.id)
    assert recordings.stored(ready).isdisjoint(n for n in before if n.startswith("clip/"))
    levels = [clip.loudness_lufs for clip in clips if not clip.planted]
    assert max(levels) - min(levels) < 0.05
    for clip in clips:
        sound, rate = prepare.clip_samples(ready.store, ready.id, clip.take_key, "e1")
        assert loudness.true_peak_db(sound, rate) <= -1 + 0.01


def test_preparing_does_no_more_than_planting_where_that_is_enough(ready: Made):
    before = recordings.stored(ready)
    check(ready, 1.0)
    prepare.prepare(ready.store, ready.id)
    assert before < recordings.stored(ready)
    assert not prepare.stale(ready.store, ready.id)


@pytest.mark.parametrize("change", ["take", "excerpt", "level"])
def test_planting_does_nothing_where_other_clips_are_missing(ready: Made, change: str):
    if change == "take":
        intake.add_take(ready.store, ready.id, "new.wav", [recordings.take(9)])
    elif change == "excerpt":
        intake.add_excerpt(ready.store, ready.id, 0.3, 1.9)
    else:
        prepare.set_level(ready.store, ready.id, "as_recorded")
    check(ready, 1.0)
    before = recordings.stored(ready)
    assert not planting.plant(ready.store, ready.id)
    assert recordings.stored(ready) == before
    assert prepare.stale(ready.store, ready.id)


def test_planting_where_nothing_is_missing_says_so(ready: Made):
    before = recordings.stored(ready)
    assert planting.plant(ready.store, ready.id)
    assert recordings.stored(ready) == before


def test_a_raised_check_has_its_new_copy(ready: Made):
    key = check(ready, 1.0)
    assert planting.plant(ready.store, ready.id)
    asked.remove(ready.store, ready.id, key)
    assert check(ready, 2.0) == key
    assert planting.plant(ready.store, ready.id)
    sound = samples(ready)
    gain = 20 * np.log10(np.abs(sound[f"t02+{key}"]).max() / np.abs(sound["t02"]).max())
    assert gain == pytest.approx(2.0, abs=1e-9)


def test_change_while_planting_leaves_nothing(ready: Made, monkeypatch):
    key = check(ready, 1.0)
    before = recordings.stored(ready)
    written = planting.write_clip

    def removes_the_check(*args):
        asked.remove(ready.store, ready.id, key)
        return written(*args)

    monkeypatch.setattr(planting, "write_clip", removes_the_check)
    assert not planting.plant(ready.store, ready.id)
    assert recordings.stored(ready) == before
    assert not prepare.stale(ready.store, ready.id)


def test_failure_while_planting_leaves_nothing(ready: Made, monkeypatch):
    intake.add_excerpt(ready.store, ready.id, 0.3, 1.9)
    prepare.prepare(ready.store, ready.id)
    check(ready, 1.0)
    before = recordings.stored(ready)
    write, calls = FileStore.write, 0

    def fails(self, key, content):
        nonlocal calls
        calls += 1
        if calls == 2:
            raise OSError("disk full")
        return write(self, key, content)

    monkeypatch.setattr(FileStore, "write", fails)
    with pytest.raises(OSError, match="disk full"):
        planting.plant(ready.store, ready.id)
    assert recordings.stored(ready) == before
    monkeypatch.undo()
    assert planting.plant(ready.store, ready.id)
    lock.lock(ready.store, ready.id)
