"""Numbers as the sentences say them."""

import pytest

from panel.analysis.wording.phrases import about


@pytest.mark.parametrize(
    ("expected", "words"),
    [(86.5, "86.5"), (151.5, "151.5"), (20.0, "20"), (640 / 3, "213"), (200 / 3, "67"),
     (1 / 3, "0.3"), (8.0, "8"), (0.0, "0"), (29 / 3, "9.7")],
)  # fmt: skip
def test_what_guessing_gives_is_neither_rounded_to_nothing_nor_to_the_even(expected, words):
    assert about(expected) == words
