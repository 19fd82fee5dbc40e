"""What may be said from a measurement: beside retakes, with intervals, never "audible"."""

import re
from dataclasses import replace

import numpy as np
import pytest

from panel.prose import ENGLISH
from panel.report.figures.response import response_difference
from panel.report.page.measured import measured_lines
from panel.study.measurement import (
    Circuit,
    Corner,
    Measurement,
    NoCircuit,
    Notes,
    ResponsePoint,
    Stage,
)

NOTES = Notes(
    1, (Stage(0.0, 0.02, -0.3, 0.05), Stage(0.02, 0.08, 0.2, 0.04)), onset_ms=0.06,
    onset_retakes_ms=0.01,
)  # fmt: skip
CORNER = Corner(55.7, 52.9, 58.5, from_hz=7.234, confidence=0.95, rests_on="retakes")
# 22 nF into 220 kΩ, 10 % off: 29.9 to 36.5 Hz, -0.138 to +0.105 dB at 82.4 Hz (closed form).
CIRCUIT = Circuit(
    ohms=220e3, farads=22e-9, assumed=False, to_hz=32.883, corner_hz=32.883, share=0.1,
    corners_hz=(29.894, 36.537), at_hz=82.41, level_db=-0.642, change_db=(-0.138, 0.105),
    verdict="could",
)  # fmt: skip
FOUND = Measurement(
    "q1", "Adhesive", "hide glue", "epoxy",
    sentence="Larger than retakes vary at 4 kHz by 1.1 dB.", gain_db=0.31, gain_retakes_db=0.1,
    same_performance=True, residual_db=(-25.0, -24.2, -23.0),
    residual_retakes_db=(-41.0, -40.0, -39.0), corner=CORNER, circuit=CIRCUIT, notes=NOTES,
)  # fmt: skip


def text(**changed):
    return "\n".join(measured_lines(ENGLISH, replace(FOUND, **changed))).replace(
        "\N{NO-BREAK SPACE}", " "
    )


def test_each_part_has_its_sentence_with_its_retakes_and_none_speaks_of_hearing():
    said = text()
    assert "Larger than retakes vary at 4 kHz by 1.1 dB." in said
    assert (
        "“epoxy” was recorded 0.31 dB louder than “hide glue” (retakes differ by up to 0.10" in said
    )
    assert "24.2 dB under the signal is left across the conditions, 40.0 dB under" in said
    assert "more than between any two retakes" in said
    assert "lies 55.7 Hz above the 7.2 Hz logged for “hide glue” (95 % interval 52.9 Hz to" in said
    assert "Over 1 note, “epoxy” against “hide glue” stands at −0.30 dB in the first 20 ms" in said
    assert "onsets move by 0.06 ms, between retakes by up to 0.01 ms" in said
    assert not re.search("audibl|hear", said)


def test_tolerance_alone_is_told_in_closed_form():
    said = text()
    assert "By the log 220 kΩ and 22 nF make a low corner of 32.9 Hz." in said
    assert "Parts off by 10 % (as logged) alone move it to between 29.9 Hz and 36.5 Hz" in said
    assert "the level at 82 Hz by −0.14 dB to +0.10 dB" in said
    assert "Tolerance alone could do what was measured" in said
    assumed = text(circuit=replace(CIRCUIT, assumed=True, to_hz=65.77, verdict="could not"))
    assert "the usual tolerance, as none is logged" in assumed
    assert "The parts logged for the other condition make 65.8 Hz." in assumed
    assert "Tolerance alone could not" in assumed
    assert "more than one" in text(circuit=NoCircuit("The log has more than one capacitance."))


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"low_hz": -1.2, "shift_hz": 0.1, "high_hz": 0.9},
         "No shift of a low corner stands out: 95 % interval −1.2 Hz to 0.9 Hz, from what retakes"),
        ({"from_hz": None}, "as if “epoxy” had one more low cut, first order, at 55.7 Hz (95 % "
                            "interval 52.9 Hz to 58.5 Hz"),
        ({"from_hz": None, "low_hz": -58.5, "shift_hz": -55.7, "high_hz": -52.9},
         "as if “hide glue” had one more low cut, first order, at 55.7 Hz (95 % interval 52.9"),
        ({"rests_on": "noise"}, "for the noise in these two takes alone"),
        ({"low_hz": -5.0, "shift_hz": -4.0, "high_hz": -3.0}, "lies 4.0 Hz below the 7.2 Hz"),
    ],
)  # fmt: skip
def test_a_corner_is_told_as_far_as_it_is_known(changed, words):
    assert words in text(corner=replace(CORNER, **changed))


def test_without_retakes_or_without_one_performance_less_is_said():
    assert "there are no retakes to hold against it" in text(residual_retakes_db=None)
    apart = text(same_performance=False, residual_db=None, corner=None, notes=None, circuit=None)
    assert "not one performance" in apart
    assert "low corner moved" not in apart
    assert "left across" not in apart
    assert "cannot be told from these takes" in text(corner=None)


@pytest.mark.parametrize(
    ("across", "words"),
    [
        ((-38.0, -30.0, -29.0), "more than between any two retakes"),
        ((-39.5, -38.0, -37.0), "more than between most retakes"),
        ((-42.0, -40.0, -38.0), "no more than between retakes"),
    ],
)
def test_a_residual_stands_beside_its_retakes(across, words):
    assert f": {words}." in text(residual_db=across, residual_retakes_db=(-41.0, -40.0, -39.0))


def test_what_an_older_measurement_lacks_is_passed_over():
    assert measured_lines(ENGLISH, Measurement("q1", "Adhesive", "a", "b")) == ()


# ---- the picture of the transfer function ----


def low_cut(retakes=0.1):
    hz = np.geomspace(20, 16_000, 60)
    gain = -10 * np.log10(1 + (72.34 / hz) ** 2)
    points = [
        ResponsePoint(float(f), float(g), retakes, 0.6 if f > 9000 else 0.99)
        for f, g in zip(hz, gain, strict=True)
    ]
    return Measurement("q1", "Element", "standard", "economy", response=tuple(points))


def test_the_table_behind_has_the_closed_form_by_third_octaves():
    figure = response_difference(ENGLISH, low_cut())
    rows = {row[0].replace("\N{NO-BREAK SPACE}", " "): row[1:] for row in figure.rows}
    for nominal, exact in (("63 Hz", 63.0957), ("125 Hz", 125.8925), ("1 kHz", 1000.0)):
        level = float(
            rows[nominal][0].replace("\N{MINUS SIGN}", "-").split("\N{NO-BREAK SPACE}")[0]
        )
        assert level == pytest.approx(-10 * np.log10(1 + (72.34 / exact) ** 2), abs=0.3)
    assert rows["1 kHz"][1].startswith("0.10")
    assert rows["10 kHz"][2] == "0.600"
    assert list(rows) == sorted(rows, key=lambda t: float(t.split()[0]) * (1000 if "k" in t else 1))


def test_it_says_in_words_what_it_shows_and_where_coherence_is_low():
    figure = response_difference(ENGLISH, low_cut())
    assert "“economy” over “standard”" in figure.description
    assert "20\N{NO-BREAK SPACE}Hz" in figure.description
    assert "stroke-dasharray" in figure.wide
    assert figure.wide.count("<title") == 1
    assert "no retakes" in response_difference(ENGLISH, low_cut(retakes=None)).note
    assert response_difference(ENGLISH, replace(low_cut(), response=())) is None


@pytest.mark.parametrize(
    ("across", "words"),
    [
        ((-45.0, -40.0, -35.0), "no more than between retakes"),
        ((-45.0, -34.0, -30.0), "more than between most retakes, yet no more than between some"),
        ((-45.0, -25.0, -20.0), "more than between most retakes."),
        ((-29.0, -25.0, -20.0), "more than between any two retakes"),
    ],
)
def test_what_is_left_is_held_against_the_middle_and_the_most_of_retakes(across, words):
    said = text(residual_db=across, residual_retakes_db=(-42.0, -38.0, -30.0))
    assert words in said


@pytest.mark.parametrize(
    ("gain", "words"),
    [(0.31, "0.31 dB louder than"), (-0.57, "0.57 dB softer than"), (0.001, "as loud as")],
)
def test_a_level_is_told_without_a_sign(gain, words):
    assert words in text(gain_db=gain)
