"""Numbers and moments as the desk writes them, where a cell of a table says less than prose."""

from datetime import datetime

from panel.prose import MINUS


def fixed(value: float | None, places: int, *, sign: bool = False, none: str = "–") -> str:
    """With so many decimals, a true minus, and `none` where nothing was measured."""
    if value is None:
        return none
    return f"{value:{'+' if sign else ''}.{places}f}".replace("-", MINUS)


def hertz(rate: int) -> str:
    """A sample rate, "48,000 Hz"."""
    return f"{rate:,} Hz"


def moment(at: datetime | None) -> str:
    """ "3 May 2026, 09:30", "" for never."""
    return f"{at.day} {at:%B %Y, %H:%M}" if at else ""


def counted(n: int, one: str, many: str | None = None) -> str:
    """ "1 vote", "2320 votes": at the desk without a comma for thousands."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def alone(n: int, one: str, many: str) -> str:
    """The word that goes with a count, where the count itself stands elsewhere."""
    return one if n == 1 else many
