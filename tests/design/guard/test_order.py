"""The order of recording that is drawn for the next session."""

from __future__ import annotations

import numpy as np
import pytest

from panel.design.guard.order import mixed_order
from panel.errors import BadInput


def test_mixed_order_holds_the_counts_and_is_never_aligned():
    rng = np.random.default_rng(2)
    seen = set()
    for _ in range(400):
        order = mixed_order(rng, {"hide glue": 2, "epoxy": 2})
        assert sorted(order) == ["epoxy", "epoxy", "hide glue", "hide glue"]
        seen.add(order)
    assert len(seen) == 4  # of 6 orders 2 are aligned


def test_mixed_order_of_single_takes_cannot_be_mixed():
    rng = np.random.default_rng(3)
    assert {mixed_order(rng, {"a": 1, "b": 1}) for _ in range(50)} == {("a", "b"), ("b", "a")}


@pytest.mark.parametrize("counts", [{}, {"a": 0, "b": 4}])
def test_mixed_order_needs_takes(counts):
    with pytest.raises(BadInput):
        mixed_order(np.random.default_rng(0), counts)
