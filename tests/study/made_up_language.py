"""A language of one letter: whatever stands outside the places of a text becomes it, so that what
was not put into the language shows."""

import re

from panel.prose import Language

PLACE = re.compile(r"(\{[a-z_0-9]+\})")


def strange(text: str) -> str:
    parts = PLACE.split(text)
    return "".join(p if PLACE.fullmatch(p) else re.sub(r"[A-Za-z]", "ø", p) for p in parts)


STRANGE = Language(strange, lambda one, many, n: strange(one if n == 1 else many))
