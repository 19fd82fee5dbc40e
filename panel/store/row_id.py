"""The key of a row that is in the database."""

from typing import Protocol


class Keyed(Protocol):
    id: int | None


def row_id(row: Keyed) -> int:
    """The row's key. Raises RuntimeError for one that has not been stored: a fault of ours."""
    if row.id is None:
        raise RuntimeError("the row has not been stored yet")
    return row.id
