"""What is put into the demo's takes, against closed forms; and whether measuring finds it."""

import io

import numpy as np
import pytest
import soundfile

from panel.audio.measure import difference
from panel.audio.sound import Sound, Source
from panel.demo import scenario, synth


def level_db(chain: synth.Chain, hz: float) -> float:
    return float(20 * np.log10(np.abs(synth.response(chain, np.array([hz]))[0])))


@pytest.mark.parametrize(
    ("corner", "hz", "level"),
    [
        # First-order high-pass: −3.01 dB at its corner (closed form); 2.2 nF into 1 MΩ at a low E,
        # 82.41 Hz: −2.481 dB, 22 nF into 1 MΩ: −0.0333 dB (1/(2πRC), common practice, computed).
        (synth.ECONOMY_CORNER_HZ, synth.ECONOMY_CORNER_HZ, -3.0103),
        (synth.ECONOMY_CORNER_HZ, 82.41, -2.481),
        (synth.STANDARD_CORNER_HZ, 82.41, -0.0333),
    ],
)
def test_low_corner_is_the_closed_form(corner: float, hz: float, level: float) -> None:
    assert level_db(synth.Chain(low_corner_hz=corner), hz) == pytest.approx(level, abs=0.001)


@pytest.mark.parametrize(("hz", "level"), [(30.0, 0.0), (3_000.0, 0.6), (300_000.0, 1.2)])
def test_shelf_has_its_height_and_half_of_it_at_its_corner(hz: float, level: float) -> None:
    # First-order shelf √((1 + r·x²)/(1 + x²/r)): by symmetry half its decibels at x = 1.
    flat, raised = synth.Chain(), synth.Chain(shelf_db=1.2)
    assert level_db(raised, hz) - level_db(flat, hz) == pytest.approx(level, abs=0.001)


def test_zither_and_kalimba_are_tuned() -> None:
    for instrument in (synth.ZITHER, synth.KALIMBA):
        note = synth.Note(0.0, 440.0, 0.8)
        one = synth.Instrument(
            "one note", (note,), instrument.stiffness, instrument.pluck_at, instrument.bar_ratios,
            instrument.decay_s,
        )  # fmt: skip
        sound = synth.performance(one, np.random.default_rng(1))
        spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
        hz = np.fft.rfftfreq(len(sound), 1 / synth.RATE)
        near = (hz > 400) & (hz < 480)
        assert hz[near][spectrum[near].argmax()] == pytest.approx(440.0, abs=0.3)


@pytest.fixture(scope="module")
def zither() -> np.ndarray:
    return synth.performance(synth.ZITHER, np.random.default_rng(5))


def recorded(performance: np.ndarray, chain: synth.Chain, seed: int) -> Sound:
    content = synth.wav(synth.take(performance, chain, np.random.default_rng(seed)))
    samples, rate = soundfile.read(io.BytesIO(content), always_2d=True)
    return Sound(samples, rate, Source("WAV", "PCM_24", 24, False))


def test_recorder_writes_24_bits_and_never_clips(zither: np.ndarray) -> None:
    rng = np.random.default_rng(8)
    for _ in range(5):
        sound = synth.take(zither, synth.varied(rng, shelf_db=synth.ADHESIVE_DB), rng)
        assert np.max(np.abs(sound)) < 0.9
        told = soundfile.info(io.BytesIO(synth.wav(sound)))
        assert (told.subtype, told.samplerate, told.channels) == ("PCM_24", 48_000, 1)
        assert told.frames == round(synth.SECONDS * synth.RATE)


def test_measuring_finds_gain_delay_and_drift(zither: np.ndarray) -> None:
    a = recorded(zither, synth.Chain(), 1)
    b = recorded(zither, synth.Chain(gain_db=-0.8, delay_s=0.01037, drift_ppm=5.0), 2)
    found = difference.measure(a, b)
    assert found.gain_db == pytest.approx(-0.8, abs=0.01)
    assert found.drift_ppm == pytest.approx(5.0, abs=0.5)
    assert found.delay_samples == pytest.approx(0.01037 * synth.RATE, abs=3.0)  # drift moves it
    assert not found.inverted


def test_measuring_finds_the_adhesive(zither: np.ndarray) -> None:
    a = recorded(zither, synth.Chain(), 1)
    b = recorded(zither, synth.Chain(shelf_db=synth.ADHESIVE_DB), 2)
    bands = dict(difference.measure(a, b).third_octave)
    low = np.mean([level for hz, level in bands.items() if 150 <= hz <= 1_000])
    # Closed form of the shelf, at 8 kHz 1.2 − 0.14 dB and at 3.15 kHz 0.63 dB.
    assert bands[8_000.0] - low == pytest.approx(1.06, abs=0.12)
    assert bands[3_150.0] - low == pytest.approx(0.63, abs=0.12)


def test_measuring_finds_the_economy_element(zither: np.ndarray) -> None:
    a = recorded(zither, synth.Chain(), 1)
    b = recorded(zither, synth.Chain(low_corner_hz=synth.ECONOMY_CORNER_HZ), 2)
    bands = dict(difference.measure(a, b).third_octave)
    high = np.mean([level for hz, level in bands.items() if 800 <= hz <= 4_000])
    # C2, the lowest string (65.4 Hz) rules the 63 Hz band: −10·lg(1 + (72.34/65.4)²) + 0.05 dB.
    assert bands[63.0] - high == pytest.approx(-3.42, abs=0.2)


def test_measuring_names_shelf_and_corner(zither: np.ndarray) -> None:
    a = recorded(zither, synth.Chain(), 1)
    adhesive = difference.measure(a, recorded(zither, synth.Chain(shelf_db=1.2), 2)).shelf
    assert adhesive is not None
    assert adhesive.hz == pytest.approx(3_000, rel=0.05)
    assert adhesive.gain_db == pytest.approx(1.2, abs=0.06)
    # Two first-order low cuts, at 7.234 and 72.34 Hz: the one within hearing is what differs.
    economy = synth.Chain(low_corner_hz=synth.ECONOMY_CORNER_HZ)
    element = difference.measure(a, recorded(zither, economy, 2))
    assert element.corner_hz == pytest.approx(72.34, rel=0.05)
    assert element.shelf is None


def test_takes_of_the_story_are_as_planned() -> None:
    takes = scenario.zither_takes(np.random.default_rng(2))
    groups = [take.group for take in takes]
    assert {group: groups.count(group) for group in groups} == {
        "baseline": 5, "epoxy": 5, "economy": 5, "0 h": 4, "10 h": 4, "30 h": 4, "100 h": 4,
    }  # fmt: skip
    assert [take.order for take in takes] == list(range(1, 32))
    # Mixed order: no group was recorded in one go.
    for group in set(groups):
        places = [index for index, name in enumerate(groups) if name == group]
        assert places != list(range(places[0], places[0] + len(places)))
    # Nothing but the asked factor differs beyond its tolerance within a session.
    celsius = [float(take.log["bench"]) for take in takes]
    assert max(celsius) - min(celsius) <= 2.0
    # The hours change nothing, in sound or in what is heard.
    for take in takes:
        if take.group.endswith(" h"):
            assert take.chain.shelf_db == 0.0
            assert take.chain.low_corner_hz == pytest.approx(synth.STANDARD_CORNER_HZ, rel=0.15)
            assert {axis for axis, place in take.place.items() if place} <= {"own"}
