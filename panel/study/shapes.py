"""Frozen dataclasses of a document, read from JSON by their annotations and written back.

A field is an entry of the same name. One with a default may be missing, and is not written while
it has that value. Where an entry may be missing and may also be null, null is `NOT_TOLD`. A field
made with FLAT has no entry of its own: its fields stand among those of whatever holds it, all or
none.
"""

from __future__ import annotations

from dataclasses import MISSING, Field, fields, is_dataclass
from enum import Enum
from functools import cache
from types import MappingProxyType, NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from panel.study.documents import Entry, Json

Shape = TypeVar("Shape")


class NotTold(Enum):
    """What was asked for and could not be told."""

    NOT_TOLD = "null"


NOT_TOLD = NotTold.NOT_TOLD
FLAT = MappingProxyType({"flat": True})


def read(kind: type[Shape], entry: Entry) -> Shape:
    """The values of a dataclass. Raises BadInput with the path of what is missing, wrong or not
    known."""
    found: Shape = _known(kind, entry)
    return found


def written(value: Any) -> Json:
    """The JSON of a dataclass, or of a value in one."""
    if value is NOT_TOLD:
        return None
    if is_dataclass(value):
        return dict(_written_fields(value))
    if isinstance(value, dict):
        return {key: written(each) for key, each in value.items()}
    if isinstance(value, tuple):
        return [written(each) for each in value]
    plain: Json = value
    return plain


def _written_fields(value: Any) -> list[tuple[str, Json]]:
    out: list[tuple[str, Json]] = []
    for own in fields(value):
        held = getattr(value, own.name)
        if own.metadata.get("flat"):
            out += [] if held is None else _written_fields(held)
        elif _may_be_missing(own) and held == _default(own):
            continue
        else:
            out.append((own.name, written(held)))
    return out


def _known(kind: Any, entry: Entry) -> Any:
    known = _entries(kind)
    for key, unknown in entry.items():
        if key not in known:
            raise unknown.refuse(f"the entry '{unknown.path}' is not known")
    return _dataclass(kind, entry)


def _dataclass(kind: Any, entry: Entry) -> Any:
    hints = _hints(kind)
    values = {}
    for own in fields(kind):
        hint = hints[own.name]
        if own.metadata.get("flat"):
            inner = _only(hint)
            there = any(key in _entries(inner) for key, _ in entry.items())
            values[own.name] = _dataclass(inner, entry) if there else None
            continue
        at = entry[own.name]
        if not (at.missing and _may_be_missing(own)):
            values[own.name] = _value(hint, at)
    return kind(**values)


def _value(kind: Any, entry: Entry) -> Any:
    origin = get_origin(kind)
    if origin in (Union, UnionType):
        return _one_of(get_args(kind), entry)
    if origin is tuple:
        return _tuple(get_args(kind), entry)
    if origin is dict:
        return {key: _value(get_args(kind)[1], each) for key, each in entry.items()}
    if is_dataclass(kind):
        return _known(kind, entry)
    if kind is float:
        entry.number()
        return entry.value  # a whole number stays one
    if kind is str:
        return entry.text()
    return entry.count() if kind is int else entry.flag()


def _one_of(kinds: tuple[Any, ...], entry: Entry) -> Any:
    if entry.absent and not entry.missing:
        if NotTold in kinds:
            return NOT_TOLD
        if NoneType in kinds:
            return None
    others = [kind for kind in kinds if kind not in (NoneType, NotTold)]
    for kind in others[:-1]:
        if isinstance(entry.value, get_origin(kind) or kind):
            return _value(kind, entry)
    return _value(others[-1], entry)


def _tuple(kinds: tuple[Any, ...], entry: Entry) -> Any:
    if kinds == (float, Ellipsis):
        return entry.numbers()
    if kinds[-1] is Ellipsis:
        return tuple(_value(kinds[0], each) for each in entry)
    found = list(entry)
    if len(found) != len(kinds):
        raise entry.refuse(f"{entry.path} must have {len(kinds)} entries, not {len(found)}")
    return tuple(_value(kind, each) for kind, each in zip(kinds, found, strict=True))


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind)


@cache
def _entries(kind: Any) -> frozenset[str]:
    out: set[str] = set()
    for own in fields(kind):
        flat = own.metadata.get("flat")
        out |= _entries(_only(_hints(kind)[own.name])) if flat else {own.name}
    return frozenset(out)


def _only(hint: Any) -> Any:
    """The dataclass of an optional one."""
    return next(kind for kind in get_args(hint) if kind is not NoneType)


def _may_be_missing(own: Field[Any]) -> bool:
    return own.default is not MISSING or own.default_factory is not MISSING


def _default(own: Field[Any]) -> Any:
    return own.default if own.default_factory is MISSING else own.default_factory()
