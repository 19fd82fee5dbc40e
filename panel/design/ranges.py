"""Whether a number lies where it may. Of a rule that is just being made it may be none at all."""

from __future__ import annotations

import math


def within(value: float, low: float, high: float) -> bool:
    """Whether this is a finite number from `low` to `high`."""
    return _is_number(value) and math.isfinite(value) and low <= value <= high


def whole(value: int, low: int, high: int) -> bool:
    """Whether this is a whole number from `low` to `high`."""
    return _is_number(value) and isinstance(value, int) and low <= value <= high


def _is_number(value: float) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
