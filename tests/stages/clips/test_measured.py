"""Measured differences of a study whose takes were made with known parts (invented data)."""

import numpy as np
import pytest
import recordings
from recordings import RATE, Made
from scipy.signal import bilinear, lfilter

from panel.stages.clips import measured, prepare
from panel.stages.contrasts import asked
from panel.stages.takes import intake


def low_cut(sound: np.ndarray, corner: float) -> np.ndarray:
    w = 2 * RATE * np.tan(np.pi * corner / RATE)
    return lfilter(*bilinear([1, 0], [1, w], RATE), sound)


def performance(seed: int) -> np.ndarray:
    """Low and high tones that come and go, the same for every seed, with noise 80 dB down."""
    rng = np.random.default_rng(5)
    t = np.arange(6 * RATE) / RATE
    sound = sum(
        np.sin(2 * np.pi * hz * t + rng.uniform(0, 6)) * np.exp(-3 * ((t - at) % 1.5)) / hz**0.4
        for hz in (55, 73, 98, 131, 196, 294, 440, 660, 990, 1480, 2220, 3330)
        for at in (rng.uniform(0, 1.5),)
    )
    sound = 0.3 * sound / np.abs(sound).max()
    return sound + 3e-5 * np.random.default_rng(seed).standard_normal(len(sound))


@pytest.fixture(scope="module")
def element_once(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Three takes each of 22 nF and 11 nF into 220 kΩ: corners 32.88 and 65.77 Hz."""
    made = recordings.empty(tmp_path_factory.mktemp("element"))
    load = intake.add_factor(made.store, made.id, "load", "numeric", "kΩ")
    element = intake.add_factor(made.store, made.id, "element", "numeric", "nF", 1.1)
    for number in range(6):
        farads = 22.0 if number in (0, 3, 4) else 11.0
        sound = low_cut(performance(number), 1 / (2 * np.pi * 220e3 * farads * 1e-9))
        view = intake.add_take(made.store, made.id, "x.wav", [recordings.file(sound)])
        intake.log_take(made.store, made.id, view.key, {load: 220.0, element: farads})
    intake.add_excerpt(made.store, made.id, 0.2, 2.7)
    intake.add_excerpt(made.store, made.id, 3.1, 5.6)
    asked.add_question(
        made.store, made.id, name="Element", procedure="abx", factor=element,
        conditions=asked.by_value(made.store, made.id, element), votes_per_listener=4,
    )  # fmt: skip
    prepare.prepare(made.store, made.id)
    return made


def test_known_parts_are_found_again_and_held_against_their_tolerance(element_once: Made):
    (entry,) = measured.measured(element_once.store, element_once.id).contrasts
    assert entry.first == "11 nF"
    # From 11 to 22 nF the corner goes down from 65.77 to 32.88 Hz.
    corner, circuit = entry.corner, entry.circuit
    assert corner.from_hz == pytest.approx(65.77, rel=1e-3)
    assert corner.shift_hz == pytest.approx(-32.88, abs=1.5)
    assert corner.rests_on == "retakes"
    assert circuit.to_hz == pytest.approx(32.88, rel=1e-3)
    assert circuit.share == pytest.approx(0.1)  # 1.1 nF of 11
    assert circuit.corners_hz == pytest.approx((65.77 / 1.1, 65.77 / 0.9), rel=1e-3)
    assert circuit.verdict == "could not"
    assert entry.same_performance is True
    assert entry.residual_retakes_db[2] < entry.residual_db[0]
    assert entry.notes.onsets >= 1
    assert len(entry.response) > 20


def test_the_desk_shows_sentences_and_pictures_of_it(element_once: Made):
    [(name, lines, figures)] = measured.shown(element_once.store, element_once.id)
    assert name == "Element"
    assert any("220 kΩ" in line.replace("\N{NO-BREAK SPACE}", " ") for line in lines)
    assert [figure.title.split(":")[0] for figure in figures] == [
        "Measured difference", "Gain by frequency (transfer function)",
    ]  # fmt: skip
    assert all(figure.rows and figure.description for figure in figures)
    assert not any("audible" in line for line in lines)


def test_what_was_measured_once_is_kept_until_something_changes(
    element_once: Made, tmp_path, monkeypatch
):
    made = recordings.copy_of(element_once, tmp_path)
    first = measured.measured(made.store, made.id)
    calls: list[int] = []
    (entry,) = first.contrasts
    monkeypatch.setattr(measured, "_measurement", lambda *_: calls.append(1) or entry)
    assert measured.measured(made.store, made.id) == first
    assert not calls
    intake.log_take(made.store, made.id, "t02", {"load": 470.0})
    measured.measured(made.store, made.id)
    assert calls


def test_another_performance_is_named_and_not_subtracted(empty: Made):
    adhesive = intake.add_factor(empty.store, empty.id, "adhesive", "named")
    rng = np.random.default_rng(1)
    for number in range(2):
        sound = 0.1 * rng.standard_normal(4 * RATE)
        view = intake.add_take(empty.store, empty.id, "x.wav", [recordings.file(sound)])
        intake.log_take(empty.store, empty.id, view.key, {adhesive: "ab"[number]})
    intake.add_excerpt(empty.store, empty.id, 0.5, 3.0)
    recordings.ask(
        Made(empty.settings, empty.store, empty.organiser, empty.code, empty.id, adhesive)
    )
    prepare.prepare(empty.store, empty.id)
    (entry,) = measured.measured(empty.store, empty.id).contrasts
    assert entry.same_performance is False
    assert (entry.residual_db, entry.corner, entry.response) == (None, None, ())
    assert entry.bands  # third octaves can still be compared
    [(_, lines, figures)] = measured.shown(empty.store, empty.id)
    assert any("not one performance" in line for line in lines)
    assert len(figures) == 1
