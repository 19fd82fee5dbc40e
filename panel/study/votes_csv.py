"""votes.csv and listeners.csv: columns in and columns out.

Reading is strict: a table that contradicts itself is refused with a sentence that names line and
column, never repaired. Whole columns are checked at once; only of a table that fails is each line
looked at, for the first that is wrong.
"""

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from itertools import repeat

import numpy as np

from panel.errors import BadInput
from panel.study.votes import (
    LISTENER_COLUMNS,
    NO_RATE,
    UNMARKED,
    VOTE_COLUMNS,
    Column,
    Ints,
    ListenerTable,
    VoteTable,
)

ADDED_VOTE_COLUMNS = ("four",)  # archives made before lack it, and need it not
ADDED_LISTENER_COLUMNS = ("withdrew", "votes_removed")  # archives made before lack them
AS_EXPORTED = "Use the votes.csv and listeners.csv of one export, as they were written."
MOST_DIGITS = 18  # of a whole number that the table can hold

Columns = dict[str, Sequence[str]]


def bad(message: str) -> BadInput:
    return BadInput(message, hint=AS_EXPORTED)


def _not_filled(text: str) -> str | None:
    return None if text.strip() else "is empty"


def _not_whole(text: str) -> str | None:
    text = text.strip()
    if not text.isascii() or not text.isdigit():
        return f"is {text!r}, not a whole number"
    return "is too large a number" if len(text.lstrip("0")) > MOST_DIGITS else None


def _no_flag(text: str) -> str | None:
    text = text.strip()
    return None if text in ("0", "1") else f"is {text!r}, not 0 or 1"


def _unless_empty(wrong: Callable[[str], str | None]) -> Callable[[str], str | None]:
    return lambda text: wrong(text) if text.strip() else None


# What each field must be, in the order in which a line is looked at.
Rules = tuple[tuple[str, Callable[[str], str | None]], ...]
VOTE_RULES: Rules = (
    *((c, _not_filled) for c in (
        "listener", "contrast", "procedure", "excerpt", "one", "two", "answer",
    )),
    ("sequence", _not_whole),
    ("trial", _not_whole),
    ("correct", _unless_empty(_no_flag)),
    ("plays", _not_whole),
    ("seconds", _not_whole),
    ("day", _not_whole),
)  # fmt: skip
LISTENER_RULES: Rules = (
    ("finished", _no_flag),
    ("sample_rate", _unless_empty(_not_whole)),
    ("votes", _not_whole),
    ("votes_removed", _not_whole),
)


def _columns(text: str, needed: Sequence[str], rules: Rules, table: str) -> Columns:
    """The columns of a table by name, every field of them as its rule asks."""
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    try:
        found = next(reader, [])
        missing = [c for c in needed if c not in found]
        if missing and len(found) == 1 and ";" in found[0]:
            raise bad(f"The {table} table is separated by semicolons; it must be by commas.")
        if missing:
            raise bad(f"The {table} table lacks the column {', '.join(missing)}.")
        twice = sorted({c for c in found if found.count(c) > 1})
        if twice:
            raise bad(f"The {table} table has the column {', '.join(twice)} twice.")
        rows = [row for row in reader if row]
    except csv.Error as broken:
        raise bad(f"This is no {table} table, as it is not CSV: {broken}.") from broken
    if set(map(len, rows)) - {len(found)}:
        line = next(i for i, row in enumerate(rows, start=2) if len(row) != len(found))
        raise bad(f"Line {line} of the {table} table has too many or too few fields.")
    by_column = zip(*rows, strict=True) if rows else repeat(())
    columns: Columns = dict(zip(found, by_column, strict=False))
    # A field that comes again is as right as it was: each is looked at once.
    if any(any(map(wrong, set(columns.get(column, ())))) for column, wrong in rules):
        _refuse_first(columns, len(rows), rules, table)
    return columns


def _refuse_first(columns: Columns, rows: int, rules: Rules, table: str) -> None:
    for row in range(rows):
        for column, wrong in rules:
            fault = wrong(columns[column][row]) if column in columns else None
            if fault:
                raise bad(f"Line {row + 2} of the {table} table: {column} {fault}.")


def _whole(column: Iterable[str], empty: int = 0) -> Ints:
    """Whole numbers; `empty` where a field is."""
    return np.array([int(text) if text.strip() else empty for text in column], np.int64)


def read_votes(text: str) -> VoteTable:
    """Votes from the text of votes.csv; raises BadInput naming line and column."""
    needed = [c for c in VOTE_COLUMNS if c not in ADDED_VOTE_COLUMNS]
    columns = _columns(text, needed, VOTE_RULES, "vote")
    rows = len(columns["sequence"])
    return VoteTable.of(
        sequence=_whole(columns["sequence"]),
        listener=columns["listener"],
        trial=_whole(columns["trial"]),
        contrast=columns["contrast"],
        procedure=columns["procedure"],
        excerpt=columns["excerpt"],
        slots=[
            columns["one"], columns["two"], columns["three"], columns.get("four", ("",) * rows),
        ],
        answer=columns["answer"],
        correct=_whole(columns["correct"], empty=UNMARKED),
        plays=_whole(columns["plays"]),
        seconds=_whole(columns["seconds"]),
        day=_whole(columns["day"]),
    )  # fmt: skip


def read_listeners(text: str) -> ListenerTable:
    """Listeners from the text of listeners.csv; raises BadInput naming line and column."""
    needed = [c for c in LISTENER_COLUMNS if c not in ADDED_LISTENER_COLUMNS]
    columns = _columns(text, needed, LISTENER_RULES, "listener")
    rows = len(columns["listener"])
    return ListenerTable.of(
        listener=columns["listener"],
        finished=_whole(columns["finished"]).astype(bool),
        headphone_check=columns["headphone_check"],
        playback=columns["playback"],
        sample_rate=_whole(columns["sample_rate"], empty=NO_RATE),
        votes=_whole(columns["votes"]),
        withdrew=[text.strip() for text in columns.get("withdrew", ("",) * rows)],
        votes_removed=_whole(columns.get("votes_removed", ("0",) * rows)),
    )


def _write(names: Sequence[str], columns: Iterable[Column]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


def _or_empty(column: Column, empty: int) -> Column:
    return ["" if value == empty else value for value in column]


def write_votes(votes: VoteTable) -> str:
    """votes.csv, UTF-8 text with a header line, rows in the order given."""
    columns = votes.columns()
    written = columns | {"correct": _or_empty(columns["correct"], UNMARKED)}
    return _write(VOTE_COLUMNS, [written[c] for c in VOTE_COLUMNS])


def write_listeners(listeners: ListenerTable) -> str:
    """listeners.csv, UTF-8 text with a header line, rows in the order given."""
    columns = listeners.columns()
    written = columns | {
        "finished": list(map(int, listeners.finished.tolist())),
        "sample_rate": _or_empty(columns["sample_rate"], NO_RATE),
    }
    return _write(LISTENER_COLUMNS, [written[c] for c in LISTENER_COLUMNS])
