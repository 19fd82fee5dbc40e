"""Measurements read from their JSON and written back; what is wrong is named by its path."""

import copy
import json

import pytest

from panel.errors import BadInput
from panel.study.measurement import Band, Measurement, Measurements, read_measurements

FULL = {
    "contrasts": [
        {
            "id": "q1", "name": "Adhesive", "from": "hide glue", "to": "epoxy", "rate": 48000,
            "bands": [
                {"hz": 4000.0, "difference_db": 1.2, "retake_low_db": -0.1, "retake_high_db": 0.2,
                 "outside_db": 1.0},
            ],
            "retake_pairs": 2, "sentence": "Larger than retakes vary at 4 kHz by 1.0 dB.",
            "same_performance": True, "residual_db": [-25.0, -24.2, -23.0],
            "residual_retakes_db": [-41.0, -40.0, -39.0],
            "response": [[100.0, -0.1234, None, 0.9987]],
            "corner": {"shift_hz": 55.7, "low_hz": 52.9, "high_hz": 58.5, "from_hz": 7.234,
                       "confidence": 0.95, "rests_on": "retakes"},
            "circuit": {"problem": "", "ohms": 220000.0, "farads": 2.2e-08, "assumed": False,
                        "to_hz": None, "corner_hz": 32.883, "share": 0.1,
                        "corners_hz": [29.894, 36.537], "at_hz": 82.41, "level_db": -0.642,
                        "change_db": [-0.138, 0.105], "verdict": "could"},
            "notes": {"onsets": 1, "stages": [{"from_s": 0.0, "to_s": 0.02,
                                               "difference_db": -0.3, "retakes_db": None}],
                      "onset_ms": 0.06, "onset_retakes_ms": None},
            "gain_db": 0.31, "gain_retakes_db": None,
        },
        {
            "id": "q2", "name": "Kit", "from": "old", "to": "new", "rate": 44100, "bands": [],
            "retake_pairs": 0, "sentence": "", "same_performance": False, "residual_db": None,
            "residual_retakes_db": None, "response": [], "corner": None,
            "circuit": {"problem": "The log has more than one capacitance."}, "notes": None,
            "gain_db": 0.0, "gain_retakes_db": 0.25,
        },
    ]
}  # fmt: skip


@pytest.mark.parametrize("document", [FULL, {"contrasts": []}, {"unavailable": "A clip is gone."}])
def test_what_is_read_is_written_back_to_the_same_bytes(document):
    content = json.dumps(document)
    assert json.dumps(read_measurements(json.loads(content)).document()) == content


def test_a_band_says_whether_the_difference_leaves_what_retakes_span():
    (band,) = read_measurements(FULL).by_question["q1"].bands
    assert band == Band(4000.0, 1.2, -0.1, 0.2, 1.0)
    assert band.outside is True
    assert Band(4000.0, 0.1, -0.1, 0.2).outside is False
    assert Band(4000.0, 0.1).outside is None


def test_what_an_older_measurement_lacks_is_passed_over():
    older = {"contrasts": [{"id": "q1", "name": "x", "from": "a", "to": "b"}]}
    assert read_measurements(older) == Measurements((Measurement("q1", "x", "a", "b"),))
    assert read_measurements({}) == Measurements()


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (("bands", 0, "difference_db"), None, r"contrasts\[0\].bands\[0\].difference_db must be a"),
        (("bands", 0, "hz"), 0.0, r"contrasts\[0\].bands\[0\].hz must be above zero, not 0"),
        (("bands", 0, "retake_low_db"), float("nan"), r"retake_low_db must be a finite number"),
        (("response", 0), [100.0, 0.0, None], r"contrasts\[0\].response\[0\] must have 4 entries"),
        (("response", 0, 3), "high", r"contrasts\[0\].response\[0\]\[3\] must be a number"),
        (("circuit", "corners_hz"), [1.0], r"contrasts\[0\].circuit.corners_hz must have 2"),
        (("notes", "stages", 0, "to_s"), True, r"contrasts\[0\].notes.stages\[0\].to_s must be a"),
        (("residual_db",), -24.2, r"contrasts\[0\].residual_db must be a list"),
        (("from",), 3, r"contrasts\[0\].from must be a text"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_by_its_path(path, value, words):
    document = copy.deepcopy(FULL)
    at = document["contrasts"][0]
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value
    with pytest.raises(BadInput, match=words):
        read_measurements(document)


def test_what_every_measurement_has_must_not_be_missing():
    document = copy.deepcopy(FULL)
    del document["contrasts"][1]["to"]
    with pytest.raises(BadInput, match=r"lacks the entry 'contrasts\[1\].to'"):
        read_measurements(document)
