"""A pasted list of addresses: what is taken, what is named and refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from panel.errors import BadInput, TooLarge
from panel.post.addresses import read_address, read_pasted


@pytest.mark.parametrize(
    ("pasted", "good"),
    [
        ("ada@example.org", ["ada@example.org"]),
        ("ada@example.org, bo@example.org;cy@example.org", ["ada", "bo", "cy"]),
        ("ada@example.org\nbo@example.org\r\n\r\ncy@example.org\r", ["ada", "bo", "cy"]),
        ("Ada Lark <ada@example.org>", ["ada@example.org"]),
        ('"Lark, Ada" <ada@example.org>, bo@example.org', ["ada", "bo"]),
        ("Lark, Ada <ada@example.org>; Field, Bo <bo@example.org>", ["ada", "bo"]),
        ('"Lark; the elder" <ada@example.org>', ["ada"]),
        ("<ada@example.org>", ["ada"]),
        ("mailto:ada@example.org", ["ada"]),
        ("\tada@example.org  ,, ;\n ; bo@example.org,", ["ada", "bo"]),
        ("ada+panel@Example.ORG", ["ada+panel@example.org"]),
        ("ada@bücher.example", ["ada@xn--bcher-kva.example"]),
    ],
)
def test_what_people_paste_is_understood(pasted, good):
    found = read_pasted(pasted)
    assert found.refused == ()
    assert list(found.good) == [a if "@" in a else f"{a}@example.org" for a in good]


@pytest.mark.parametrize(
    ("piece", "reason"),
    [
        ("ada", "no @"),
        ("ada@", "after the @-sign"),
        ("@example.org", "before the @-sign"),
        ("ada@example", "period"),
        ("ada@@example.org", "@"),
        ("ada bo@example.org", "invalid characters"),
        ("Bcc: eve@example.org", "invalid characters"),
        ("ada@example.org>", "invalid characters"),
        ("ada@localhost", "period"),
        ("jürgen@example.org", "internationalized"),
        ("a" * 65 + "@example.org", "too long"),
        ("ada@example.org\x00", "invisible character"),
        ("ada\x1b@example.org", "invisible character"),
        ("ada@exam\u200bple.org", "invisible character"),
        ("\u202eada@example.org", "invisible character"),
    ],
)
def test_what_is_no_address_is_named_with_a_sentence(piece, reason):
    found = read_pasted(f"bo@example.org, {piece}")
    assert found.good == ("bo@example.org",)
    assert len(found.refused) == 1
    shown, sentence = found.refused[0]
    assert reason.lower() in sentence.lower()
    assert sentence.endswith(".")
    assert shown.isprintable()


def test_the_same_address_twice_counts_once_whatever_its_case():
    found = read_pasted("ada@example.org, ADA@example.org, ada@EXAMPLE.org, bo@example.org")
    assert found.good == ("ada@example.org", "bo@example.org")
    assert len(found.repeated) == 2


@pytest.mark.parametrize("text", ["ada@example.org\n", "ada@example.org\nBcc: eve@example.org"])
def test_an_address_with_a_newline_is_refused_whole(text):
    with pytest.raises(BadInput, match="line break"):
        read_address(text)


@given(st.text(max_size=80))
def test_whatever_is_pasted_nothing_taken_can_break_a_header(text):
    pasted = f"ada@example.org{text}, bo@example.org"
    found = read_pasted(pasted)
    for address in found.good:
        assert address.isascii()
        assert address.isprintable()
        assert " " not in address
        assert address.count("@") == 1
    for shown, _ in found.refused:
        assert "\n" not in shown
        assert "\r" not in shown


@pytest.mark.parametrize("nothing", ["", "   \n,;\n"])
def test_an_empty_paste_says_what_to_do(nothing):
    with pytest.raises(BadInput, match="no address"):
        read_pasted(nothing)


def test_more_than_two_thousand_at_once_are_refused():
    pasted = "\n".join(f"listener{n}@example.org" for n in range(2001))
    with pytest.raises(TooLarge, match="2001 addresses"):
        read_pasted(pasted)
