"""Numbers as words: rounding never turns into a claim."""

from __future__ import annotations

import math

import pytest

from panel import prose


@pytest.mark.parametrize(
    ("value", "digits", "sign", "text"),
    [
        (1.25, 1, False, "1.2"), (-0.31, 2, False, "−0.31"), (0.31, 2, True, "+0.31"),
        (-0.001, 2, True, "0.00"), (0.0, 1, True, "0.0"), (1234.5, 0, False, "1,234"),
        (None, 2, False, "not given"), (math.nan, 2, False, "not given"),
        (math.inf, 2, False, "not given"),
    ],
)  # fmt: skip
def test_decimals(value, digits, sign, text):
    assert prose.decimal(value, digits, sign=sign) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.733, "73\xa0%"), (0.0, "0\xa0%"), (1.0, "100\xa0%"),
        (0.001, "under 1\xa0%"), (0.999, "over 99\xa0%"), (None, "not given"),
    ],
)  # fmt: skip
def test_percent_never_rounds_to_nothing_or_all(share, text):
    assert prose.percent(share) == text


@pytest.mark.parametrize(
    ("share", "up", "down"),
    [(0.4732, "48\xa0%", "47\xa0%"), (0.47, "47\xa0%", "47\xa0%"), (0.07, "7\xa0%", "7\xa0%"),
     (0.0001, "1\xa0%", "0\xa0%"), (1.0, "100\xa0%", "100\xa0%"), (0.0, "0\xa0%", "0\xa0%")],
)  # fmt: skip
def test_bounds_stay_true_when_rounded(share, up, down):
    assert prose.percent_up(share) == up
    assert prose.percent_down(share) == down


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (1 / 35, "about 1 in 35"), (1 / 126, "about 1 in 126"), (0.05, "about 1 in 20"),
        (0.19, "about 1 in 5"), (0.0004, "less than 1 in 1,000"), (0.7, "more than 1 in 2"),
        (0.5, "about 1 in 2"), (None, "not given"),
    ],
)  # fmt: skip
def test_chances_in_words(p, text):
    assert prose.chance_of(p) == text


@pytest.mark.parametrize(
    ("p", "text"),
    [(0.00099, "under 0.001"), (0.0079, "0.008"), (0.0317, "0.032"), (0.19, "0.19"),
     (1.0, "1.00"), (None, "not given")],
)  # fmt: skip
def test_p_values(p, text):
    assert prose.p_value(p) == text


def test_a_p_just_above_the_bar_is_not_shown_as_below_it():
    assert prose.p_value(0.0504) == "0.050"
    assert prose.p_value(0.0506) == "0.051"


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.192603, "0.19"), (6.3555, "6.4"), (31.875, "32"), (977_880_000.0, "980 million"),
     (7.98e30, "over a million million"), (2.5e9, "2.5 billion"), (None, "not given")],
)  # fmt: skip
def test_evidence(value, text):
    assert prose.evidence(value) == text


def test_ranges_and_units():
    assert prose.percent_range((0.601, 0.745)) == "60–74\xa0%"
    assert prose.number_range((1.28, 1.9)) == "1.28–1.90"
    assert prose.number_range((-0.72, 1.02)) == "−0.72 to 1.02"
    assert prose.decibels(1.2) == "+1.2\xa0dB"
    assert prose.decibels(-0.3) == "−0.3\xa0dB"
    assert prose.hertz(125) == "125\xa0Hz"
    assert prose.hertz(3150) == "3.15\xa0kHz"
    assert prose.plural(1, "vote") == "1 vote"
    assert prose.plural(2300, "vote") == "2,300 votes"
    assert prose.listed(["a", "b", "c"]) == "a, b and c"
    assert prose.listed(name for name in "ab") == "a and b"
    assert prose.listed([]) == ""
    assert prose.either(["a", "b", "c"]) == "a, b or c"
    assert prose.either(name for name in "ab") == "a or b"
    assert prose.either(["a"]) == "a"
    assert prose.quoted(["a", "b"]) == "“a” and “b”"


@pytest.mark.parametrize(
    ("p", "text"), [(0.00099, "p < 0.001"), (0.0079, "p = 0.008"), (0.19, "p = 0.19")]
)
def test_a_p_inside_a_sentence_has_the_digits_of_one_outside(p, text):
    assert prose.p_equals(p) == text


@pytest.mark.parametrize(
    ("expected", "words"),
    [(86.5, "86.5"), (151.5, "151.5"), (20.0, "20"), (640 / 3, "213"), (200 / 3, "67"),
     (1 / 3, "0.3"), (8.0, "8"), (0.0, "0"), (29 / 3, "9.7")],
)  # fmt: skip
def test_what_guessing_gives_is_neither_rounded_to_nothing_nor_to_the_even(expected, words):
    assert prose.about(expected) == words


def test_counts_are_spelled_up_to_ten():
    assert [prose.spelled(n) for n in (0, 1, 2, 10, 11)] == ["no", "one", "two", "ten", "11"]


def test_a_word_agrees_with_a_count_that_stands_elsewhere():
    assert [prose.agreeing(n, "it", "them") for n in (0, 1, 2)] == ["them", "it", "them"]


def test_a_cell_has_a_dash_for_what_was_not_measured():
    assert prose.cell(None, 1) == "–"
    assert prose.cell(-0.004, 2, sign=True) == "0.00"
    assert prose.cell(12.345, 1, sign=True) == "+12.3"


def test_a_sample_rate_keeps_all_its_digits():
    assert prose.sample_rate(44_100) == "44,100 Hz"


def test_names_are_written_small_inside_a_sentence_but_for_abbreviations():
    assert [prose.small(name) for name in ("Duo-trio", "ABX", "2-AFC", "")] == [
        "duo-trio", "ABX", "2-AFC", "",
    ]  # fmt: skip
