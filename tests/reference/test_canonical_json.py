"""Canonical bytes against the examples printed in RFC 8785 (JSON Canonicalization Scheme).

The RFC's text was not at hand: examples and bytes are from memory, and agree with the rfc8785
package, which was tested by its authors against the RFC's published vectors.
"""

from __future__ import annotations

import json

import pytest

from panel.study.documents import canonical

# RFC 8785, section 3.2.2: the input and its canonical form [memory].
SAMPLE = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
SAMPLE_CANONICAL = (
    '{"literals":[null,true,false],'
    '"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
    '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
)

# RFC 8785, section 3.2.3: keys sort by UTF-16 code units, not by code points [memory].
KEYS = {
    "\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh",
    "1": "One", "\U0001f600": "Emoji: Grinning Face", "\u0080": "Control",
    "\u00f6": "Latin Small Letter O With Diaeresis",
}  # fmt: skip
KEYS_ORDER = [
    "Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign",
    "Emoji: Grinning Face", "Hebrew Letter Dalet With Dagesh",
]  # fmt: skip

# RFC 8785, appendix B: IEEE 754 numbers and their text [memory].
NUMBERS = [
    ("0000000000000000", "0"), ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"), ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"), ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"), ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"), ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"), ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"), ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"), ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
]  # fmt: skip


def test_the_sample_of_the_rfc():
    assert canonical(json.loads(SAMPLE)).decode() == SAMPLE_CANONICAL


def test_keys_sort_by_utf16_code_units():
    text = canonical(KEYS).decode()
    assert list(json.loads(text).values()) == KEYS_ORDER


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers_have_the_shortest_text(bits, text):
    import struct

    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical({"n": number}).decode() == f'{{"n":{text}}}'
