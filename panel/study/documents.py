"""Plain JSON read entry by entry: whoever reads asks for a type, and an error names the path."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeAlias

import rfc8785

from panel.errors import BadInput

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"


@dataclass(frozen=True)
class Entry:
    """What stands at one place of a document.

    `what` the document is, for people; `hint` goes with every error. Of a document that is not
    `whole` entries may be missing that nobody computes with.
    """

    value: Json
    what: str
    hint: str
    path: str = ""
    whole: bool = True
    missing: bool = False

    def __getitem__(self, key: str) -> Entry:
        """The entry under a key, refused when it is read if it is missing.

        Raises BadInput where this is no object.
        """
        here = self._object()
        there = key in here
        return replace(self, value=here.get(key), path=self._under(key), missing=not there)

    def get(self, key: str) -> Entry:
        """The entry under a key, null where there is none. Raises BadInput for no object."""
        return replace(self, value=self._object().get(key), path=self._under(key))

    def expected(self, key: str) -> Entry:
        """The entry under a key, null where it is missing; a whole document has to have it."""
        entry = self[key]
        if self.whole and entry.missing:
            raise self.refuse(f"it lacks the entry '{entry.path}'")
        return self.get(key)

    def __iter__(self) -> Iterator[Entry]:
        """The entries of a list. Raises BadInput where it is none."""
        if not isinstance(self.value, list):
            raise self._wrong("a list")
        for place, value in enumerate(self.value):
            yield replace(self, value=value, path=f"{self.path}[{place}]")

    def items(self) -> Iterator[tuple[str, Entry]]:
        for key in self._object():
            yield key, self[key]

    @property
    def absent(self) -> bool:
        """Whether this is null, or is not there."""
        return self.value is None

    def text(self) -> str:
        if not isinstance(self.value, str):
            raise self._wrong("a text")
        return self.value

    def number(self, meant: str = "") -> float:
        """`meant`: what the number is, where its key does not say it to everybody."""
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            raise self._wrong(f"a number{meant and f' ({meant})'}")
        if not math.isfinite(self.value):
            raise self._wrong("a finite number")
        return float(self.value)

    def count(self, meant: str = "") -> int:
        if isinstance(self.value, bool) or not isinstance(self.value, int):
            raise self._wrong(f"a whole number{meant and f' ({meant})'}")
        return self.value

    def flag(self) -> bool:
        if not isinstance(self.value, bool):
            raise self._wrong("true or false")
        return self.value

    def numbers(self) -> tuple[float, ...]:
        """The numbers of a list, each as it stands there: a whole one stays one."""
        held = self.value if isinstance(self.value, list) else []
        found = tuple(
            each
            for each in held
            if isinstance(each, int | float) and not isinstance(each, bool) and math.isfinite(each)
        )
        if not isinstance(self.value, list) or len(found) < len(held):
            for entry in self:
                entry.number()  # names the first that is none
        return found

    def texts(self) -> tuple[str, ...]:
        return tuple(entry.text() for entry in self)

    def refuse(self, said: str) -> BadInput:
        """The error to raise, `said` being the end of its sentence."""
        return BadInput(f"The {self.what} cannot be read: {said}.", hint=self.hint)

    def _wrong(self, kind: str) -> BadInput:
        where = self.path or "it"
        if self.missing:
            return self.refuse(f"it lacks the entry '{where}': {where} must be {kind}")
        return self.refuse(
            f"an entry has the wrong shape: {where} must be {kind}, not {_shown(self.value)}"
        )

    def _object(self) -> dict[str, Json]:
        if not isinstance(self.value, dict):
            raise self._wrong("an object")
        return self.value

    def _under(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key


def parsed(content: bytes, what: str, hint: str) -> Json:
    """JSON from its bytes. Raises BadInput where they are none."""
    try:
        found: Json = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise BadInput(f"The {what} is no readable JSON: {error}.", hint=hint) from error
    return found


def canonical(document: Json, what: str = "document", hint: str = "") -> bytes:
    """The canonical bytes (RFC 8785): UTF-8, sorted keys, shortest numbers, no spaces.

    Raises BadInput for what has none: numbers that are not finite, integers of 2^53 and more.
    """
    try:
        return rfc8785.dumps(document)
    except (rfc8785.CanonicalizationError, TypeError, ValueError, RecursionError) as broken:
        raise BadInput(
            f"The {what} cannot be read: it is not plain JSON ({broken}).", hint=hint
        ) from broken


def digest(content: bytes) -> str:
    """SHA-256, 64 hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def _shown(value: Json) -> str:
    if value is None:
        return "null"
    if isinstance(value, list):
        return "a list"
    return "an object" if isinstance(value, dict) else repr(value)
