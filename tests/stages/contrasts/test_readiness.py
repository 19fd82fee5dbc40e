"""The check list of a study, from its log, its takes and its clips."""

import numpy as np
import recordings
from recordings import RATE, Made

from panel.stages.clips import prepare
from panel.stages.contrasts.readiness import readiness
from panel.stages.takes import intake


def states(made: Made) -> dict[str, str]:
    return {check.code: check.state for check in readiness(made.store, made.id).checks}


def test_before_anything_is_asked_it_speaks_of_what_the_log_would_bear(logged: Made):
    found = readiness(logged.store, logged.id)
    assert not found.asked
    assert found.questions == ("adhesive: hide glue or epoxy",)
    # Two takes of each, in the order A B B A; neither room nor performer logged; no clip yet.
    assert states(logged) == {
        "takes": "look at this", "scope": "look at this", "log": "look at this",
        "excerpts": "ready", "lossy": "ready", "clipped": "look at this", "level": "ready",
        "noise": "look at this",
    }  # fmt: skip
    assert found.state == "look at this"


def test_once_clips_are_prepared_and_all_is_logged_more_is_known(ready: Made):
    for name in ("room", "performer"):
        factor = intake.add_factor(ready.store, ready.id, name, "named")
        for number in range(4):
            intake.log_take(ready.store, ready.id, f"t{number + 1:02d}", {factor: "the same"})
    found = readiness(ready.store, ready.id)
    assert found.asked
    assert found.questions == ("Stiffer adhesive",)
    assert states(ready)["log"] == "ready"
    assert states(ready)["clipped"] == "ready"


def test_a_clipped_take_and_an_empty_study_cannot(empty: Made, logged: Made):
    assert readiness(empty.store, empty.id).state == "cannot"
    sound = np.clip(6 * recordings.music(7), -0.9, 0.9)
    view = intake.add_take(logged.store, logged.id, "hot.wav", [recordings.file(sound)])
    intake.log_take(logged.store, logged.id, view.key, {logged.adhesive: "epoxy"})
    recordings.ask(logged)
    prepare.prepare(logged.store, logged.id)
    assert states(logged)["clipped"] == "cannot"
    assert states(logged)["level"] == "look at this"  # six times as loud


def test_takes_that_differ_by_noise_alone_are_seen(empty: Made):
    adhesive = intake.add_factor(empty.store, empty.id, "adhesive", "named")
    made = Made(empty.settings, empty.store, empty.organiser, empty.code, empty.id, adhesive)
    music = recordings.music(0, gain=0.01)
    music[: RATE // 2] = 0
    for number in range(4):
        noise = 1e-4 * np.random.default_rng(number).standard_normal(len(music))
        view = intake.add_take(made.store, made.id, "x.wav", [recordings.file(music + noise)])
        value = "hide glue" if number in (0, 3) else "epoxy"
        intake.log_take(made.store, made.id, view.key, {adhesive: value})
    intake.add_excerpt(made.store, made.id, 0.5, 2.5)
    recordings.ask(made)
    prepare.prepare(made.store, made.id)
    found = {check.code: check for check in readiness(made.store, made.id).checks}
    assert found["noise"].state == "cannot"
    assert "mostly the recordings' own noise" in found["noise"].finding


def test_a_lossy_take_among_lossless_ones_cannot(logged: Made):
    lossy = recordings.file(recordings.music(8), kind="OGG", words="VORBIS")
    view = intake.add_take(logged.store, logged.id, "x.ogg", [lossy])
    intake.log_take(logged.store, logged.id, view.key, {logged.adhesive: "epoxy"})
    assert states(logged)["lossy"] == "cannot"
