"""Holm's step-down adjustment (Holm 1979, Scand. J. Statist. 6, 65–70)."""

from collections.abc import Sequence


def holm(p_values: Sequence[float]) -> list[float]:
    """Adjusted p values in the order given: compare each with alpha."""
    count = len(p_values)
    order = sorted(range(count), key=lambda i: p_values[i])
    out, running = [1.0] * count, 0.0
    for rank, i in enumerate(order):
        running = max(running, min(1.0, (count - rank) * p_values[i]))
        out[i] = running
    return out
