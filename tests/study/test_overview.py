"""The picture of a take is read into a value once, and written as it was."""

import json

import pytest

from panel.errors import BadInput
from panel.study.overview import read_overview
from panel.study.shapes import NOT_TOLD

KEPT = {"lowest": [-0.5, 0, -1], "highest": [0.25, 0, 1], "rms": [0.1, 0.0, 1], "seconds": 2.5}


@pytest.mark.parametrize("more", [{}, {"range_lu": None}, {"range_lu": 3.25}])
def test_what_is_written_has_the_bytes_that_were_read(more: dict[str, object]):
    kept = json.dumps({**KEPT, **more})
    assert json.dumps(read_overview(json.loads(kept)).document()) == kept


def test_a_range_that_could_not_be_told_is_not_one_that_nobody_asked_for():
    assert read_overview({**KEPT, "range_lu": None}).range_lu is NOT_TOLD
    assert read_overview(KEPT).range_lu is None


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"rms": [0.1, "0.2"]}, r"rms\[1\] must be a number, not '0.2'"),
        ({"rms": [True]}, r"rms\[0\] must be a number, not True"),
        ({"lowest": [0.0, float("nan")]}, r"lowest\[1\] must be a finite number"),
        ({"highest": 3}, "highest must be a list"),
        ({"seconds": None}, "seconds must be a number, not null"),
        ({"middle": []}, "'middle' is not known"),
    ],
)
def test_what_is_wrong_is_named_by_its_path(wrong: dict[str, object], said: str):
    with pytest.raises(BadInput, match=said):
        read_overview({**KEPT, **wrong})


@pytest.mark.parametrize("entry", ["lowest", "highest", "rms", "seconds"])
def test_what_is_missing_is_named(entry: str):
    with pytest.raises(BadInput, match=f"lacks the entry '{entry}'"):
        read_overview({key: value for key, value in KEPT.items() if key != entry})
