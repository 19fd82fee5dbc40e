"""Prints made ahead: never the same bytes twice, never a word about what a trial holds, and
nothing on them but the clip and its dither."""

import hashlib
import io
import struct
import threading
from pathlib import Path

import numpy as np
import pytest
import small_study
import soundfile
from small_study import RATE, SmallStudy
from sqlmodel import select
from starlette.testclient import TestClient

from panel.app import create_app
from panel.audio.prepare.prints import wav24
from panel.settings import load
from panel.stages.listen import samples, visit
from panel.stages.listen.print_pool import PrintPool
from panel.store.opening import open_store
from panel.store.session import Store
from panel.store.tables import Study, Trial

LENGTH_S = 0.1
PRINT = 44 + 6 * round(LENGTH_S * RATE)
TAKES = ("t01", "t02", "t03", "t04", "t01+check")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(load(data=tmp_path, secret="a secret for tests only"))


@pytest.fixture
def study(store: Store) -> SmallStudy:
    return small_study.build(store, length_s=LENGTH_S, votes=2, listeners=4)


def pool_in(store: Store, limit: int = 2**30, **how) -> PrintPool:
    return PrintPool(store, limit, samples.fresh_print, least_free=0, **how)


def on_disk(store: Store) -> list[Path]:
    return [path for path in (store.files.root / "prints").rglob("*") if path.is_file()]


def test_drawn_prints_are_spent_and_no_bytes_come_twice(store: Store, study: SmallStudy):
    pool = pool_in(store, most_trials=4)
    seen: list[str] = []
    drawn_trials = 0
    for _ in range(3):
        pool.fill()
        before = len(on_disk(store))
        assert before == 2 * len(TAKES) * 2 * 4
        for slots in (("t01", "t03", "t01"), ("t02", "t02"), ("t04", "t01+check")):
            drawn = pool.draw(study.id, "e1", slots)
            assert drawn is not None
            drawn_trials += 1
            assert (drawn.rate, drawn.frames) == (RATE, round(LENGTH_S * RATE))
            seen += [hashlib.sha256(wav).hexdigest() for wav in drawn.wavs]
        assert len(on_disk(store)) == before - 7
    assert len(seen) == len(set(seen)) == 21
    left = {hashlib.sha256(path.read_bytes()).hexdigest() for path in on_disk(store)}
    assert left.isdisjoint(seen)


def test_each_slot_holds_its_clip_and_dither_only(store: Store, study: SmallStudy):
    """TPDF of 2 LSB and rounding at 24 bits: variance LSB^2/4, at most 1.5 LSB, white, and of no
    relation to the sound (Lipshitz, Wannamaker & Vanderkooy 1992, J. Audio Eng. Soc. 40)."""
    pool = pool_in(store, most_trials=3)
    pool.fill()
    errors = []
    for slots in (("t01", "t04", "t01"), ("t03", "t01+check"), ("t02", "t02")):
        drawn = pool.draw(study.id, "e2", slots)
        assert drawn is not None
        for take, wav in zip(slots, drawn.wavs, strict=True):
            delivered, rate = soundfile.read(io.BytesIO(wav), always_2d=True)
            clip = small_study.tone(take, "e2", LENGTH_S)
            assert (rate, delivered.shape) == (RATE, clip.shape)  # the same duration to the sample
            error = (delivered - clip) * 2**23
            assert np.abs(error).max() <= 1.5
            errors.append(error)
    n = errors[0].size
    for error in errors:
        # Kurtosis under 3 bounds the standard error of the variance; five of them.
        assert error.var() == pytest.approx(0.25, abs=5 * 0.25 * np.sqrt(2 / n))
        assert error.mean() == pytest.approx(0.0, abs=5 * 0.5 / np.sqrt(n))
        flat = error.ravel() - error.mean()
        for lag in (2, 4, 6):  # interleaved: the same channel
            assert abs((flat[lag:] * flat[:-lag]).mean()) < 5 * 0.25 / np.sqrt(n)
    for i, first in enumerate(errors):  # two prints share no dither, twins among them
        for second in errors[i + 1 :]:
            assert abs((first * second).mean()) < 5 * 0.25 / np.sqrt(n)


def test_prints_carry_nothing_but_the_plain_header_and_sound(store: Store, study: SmallStudy):
    pool = pool_in(store)
    pool.fill()
    drawn = pool.draw(study.id, "e1", ("t01", "t03", "t03"))
    assert drawn is not None
    assert {len(wav) for wav in drawn.wavs} == {PRINT}
    heads = {wav[:44] for wav in drawn.wavs}
    size = PRINT - 44
    assert heads == {
        struct.pack(
            "<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + size, b"WAVE", b"fmt ", 16, 1, 2, RATE, 6 * RATE,
            6, 24, b"data", size,
        )
    }  # fmt: skip
    for path in on_disk(store):
        # The name says neither take nor excerpt.
        assert set(path.name) <= set("0123456789abcdef")


def test_whether_a_trial_comes_from_the_pool_depends_on_their_number_only(
    store: Store, study: SmallStudy
):
    """Whatever n trials hold, the first n are served and the next is not: so the time a trial
    takes says nothing of its key."""
    rng = np.random.default_rng(5)
    held = [("t01", "t01"), ("t01", "t03"), ("t03", "t01", "t01"), ("t01", "t03", "t01", "t03")]
    for always in (*held, None):
        pool = pool_in(store, most_trials=5)
        pool.fill()
        served = []
        for _ in range(7):
            slots = always or held[rng.integers(len(held))]
            served.append(pool.draw(study.id, "e1", slots) is not None)
        assert served == [True] * 5 + [False] * 2
        assert pool.draw(study.id, "e2", ("t01", "t03")) is not None  # each excerpt by itself
        pool.empty()


def test_the_number_is_kept_while_the_shelf_is_being_filled(store: Store, study: SmallStudy):
    """Draws in the middle of a filling count against it, and every promise holds afterwards."""
    drawn_meanwhile = []
    refilling = False

    def render(sound, rate):
        if refilling and len(drawn_meanwhile) < 3:
            drawn_meanwhile.append(pool.draw(study.id, "e1", ("t01", "t01")))
        return samples.fresh_print(sound, rate)

    pool = PrintPool(store, 2**30, render, most_trials=8, least_free=0)
    pool.fill()
    for _ in range(5):
        assert pool.draw(study.id, "e1", ("t01", "t03")) is not None
    refilling = True
    pool.fill()
    assert len(drawn_meanwhile) == 3
    assert all(drawn_meanwhile)
    more = 0
    while pool.draw(study.id, "e1", ("t01", "t01")) is not None:
        more += 1
    assert more == 8 - 3


@pytest.mark.parametrize("trials", [0, 1, 3, 100])
def test_disk_space_stays_within_the_limit(store: Store, study: SmallStudy, trials: int):
    a_trial = 2 * len(TAKES) * (PRINT + 1) * 2  # two of each clip, in two excerpts
    limit = trials * a_trial + a_trial // 3
    most = 0

    def render(sound, rate):
        nonlocal most
        most = max(most, sum(path.stat().st_size for path in on_disk(store)) + PRINT)
        return samples.fresh_print(sound, rate)

    pool = PrintPool(store, limit, render, least_free=0)
    pool.fill()
    served = 0
    while pool.draw(study.id, "e1", ("t02", "t02")) is not None:
        served += 1
    # Where there is no room for two trials of each excerpt, one of them has all of it.
    assert served == {0: 0, 1: 2, 3: 3, 100: 12}[trials]
    assert most <= limit


def test_another_open_study_shares_the_space_and_a_closed_one_gives_it_back(
    store: Store, study: SmallStudy
):
    a_trial = 2 * len(TAKES) * (PRINT + 1) * 2
    pool = pool_in(store, 6 * a_trial)
    pool.fill()
    assert sum(path.stat().st_size for path in on_disk(store)) > 5 * a_trial * 0.9
    second = small_study.build(store, length_s=LENGTH_S, votes=2)
    pool.fill()
    assert sum(path.stat().st_size for path in on_disk(store)) <= 6 * a_trial
    for _ in range(3):
        for one in (study, second):
            assert pool.draw(one.id, "e1", ("t01", "t03")) is not None
    assert pool.draw(study.id, "e1", ("t01", "t03")) is None
    with store.session() as s:
        row = s.get(Study, study.id)
        row.closed_at = store.now()
        s.add(row)
        s.commit()
    pool.fill()
    assert pool.draw(study.id, "e1", ("t01", "t03")) is None
    served = 0
    while pool.draw(second.id, "e1", ("t01", "t03")) is not None:
        served += 1
    assert served == 6


def test_unknown_takes_and_more_than_two_alike_are_not_served(store: Store, study: SmallStudy):
    pool = pool_in(store)
    assert pool.draw(study.id, "e1", ("t01", "t03")) is None  # nothing made yet
    pool.fill()
    assert pool.draw(study.id, "e1", ("t01", "t99")) is None
    assert pool.draw(study.id, "e9", ("t01", "t03")) is None
    assert pool.draw(study.id, "e1", ("t01", "t01", "t01")) is None
    assert pool.draw(study.id, "e1", ("t01", "t03")) is not None


def test_a_file_that_is_gone_or_a_full_disk_costs_the_pool_not_the_trial(
    store: Store, study: SmallStudy, monkeypatch
):
    pool = pool_in(store, most_trials=3)
    pool.fill()
    link = study.links[0]
    consented(store, link)
    store.clips["pool"] = pool
    for path in on_disk(store):
        path.unlink()
    assert len(samples.trial_prints(store, link, 1).wavs) > 1

    def full(self, content):
        raise OSError(28, "no space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OSError, match="no space"):
        pool_in(store).fill()
    assert len(samples.trial_prints(store, link, 1).wavs) > 1


def consented(store: Store, link: str) -> None:
    visit.consent(store, link)


def test_trials_draw_from_the_pool_and_go_on_without_it(store: Store, study: SmallStudy):
    made = []

    def render(sound, rate):
        made.append(wav24(sound, rate, np.random.default_rng()))
        return made[-1]

    pool = PrintPool(store, 2**30, render, most_trials=2, least_free=0)
    pool.fill()
    consented(store, study.links[0])
    store.clips["pool"] = pool
    ahead, at_once = 0, 0
    for number in range(1, 8):
        prints = samples.trial_prints(store, study.links[0], number)
        assert len({len(wav) for wav in prints.wavs}) == 1
        from_pool = {wav in made for wav in prints.wavs}
        assert len(from_pool) == 1  # all of them, or none
        ahead += from_pool == {True}
        at_once += from_pool == {False}
    assert (ahead, at_once) == (4, 3)  # two of each excerpt


def test_many_at_once_get_prints_of_their_own(store: Store, study: SmallStudy):
    pool = pool_in(store, most_trials=10)
    pool.fill()
    seen: list[bytes] = []
    lock = threading.Lock()

    def listener() -> None:
        for _ in range(4):
            drawn = pool.draw(study.id, "e1", ("t01", "t03", "t01"))
            with lock:
                seen.extend(drawn.wavs if drawn else ())

    threads = [threading.Thread(target=listener) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(seen) == len(set(seen)) == 10 * 3


def test_the_application_fills_in_the_background_and_leaves_nothing(tmp_path: Path):
    settings = load(data=tmp_path, secret="a secret for tests only")
    app = create_app(settings)
    store = app.state.store
    study = small_study.build(store, length_s=LENGTH_S)
    old = store.files.root / "prints" / "left by another process"
    old.parent.mkdir()
    old.write_bytes(b"may have been handed out")
    with TestClient(app):
        pool = store.clips["pool"]
        pool.least_free = 0
        pool._wake.set()
        wait = threading.Event()
        for _ in range(600):
            if pool.draw(study.id, "e1", ("t01", "t03")) is not None:
                break
            wait.wait(0.05)
        else:
            pytest.fail("nothing was made ahead")
        assert not old.exists()
    assert not (store.files.root / "prints").exists()
    assert "pool" not in store.clips


def test_none_are_made_ahead_where_the_settings_allow_no_room(tmp_path: Path):
    app = create_app(load(data=tmp_path, secret="a secret", prints_limit_mib=0))
    with TestClient(app):
        assert "pool" not in app.state.store.clips


@pytest.mark.parametrize("slots", [["t01", "t01"], ["t01", "t03"], ["t03", "t03", "t03"]])
def test_two_clips_are_fetched_whether_the_slots_hold_one_take_or_two(
    store: Store, study: SmallStudy, monkeypatch, slots
):
    """Made at once, "same" and "different" take the same work, or the time would tell them."""
    consented(store, study.links[0])
    with store.session() as s:
        trial = s.exec(select(Trial).where(Trial.number == 1)).first()
        trial.slots, trial.contrast_key = slots, "q1"
        trial.procedure = "triangle" if len(slots) == 3 else "same_different"
        s.add(trial)
        s.commit()
    fetched = []
    real = samples.clip_samples

    def fetch(store, study_id, take, excerpt):
        fetched.append(take)
        return real(store, study_id, take, excerpt)

    monkeypatch.setattr(samples, "clip_samples", fetch)
    assert len(samples.trial_prints(store, study.links[0], 1).wavs) == len(slots)
    assert len(fetched) == len(set(fetched)) == 2
    assert set(slots) <= set(fetched) <= {"t01", "t02", "t03", "t04"}
