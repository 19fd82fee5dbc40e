"""A mixed order of recording for the next session: what justifies permuting labels over takes."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np

from panel.errors import BadInput


def mixed_order(rng: np.random.Generator, counts: Mapping[str, int]) -> tuple[str, ...]:
    """A random order of recording: condition labels, each as often as `counts` says.

    Drawn from all orders alike, since that is what justifies permuting labels over takes; drawn
    again only while each condition would be recorded in one go. Raises BadInput for no
    conditions or a count below one.
    """
    if not counts or min(counts.values()) < 1:
        raise BadInput("Say how many takes of each condition are to be recorded: one at least.")
    labels = [label for label, count in counts.items() for _ in range(count)]
    mixable = len(counts) > 1 and len(labels) > len(counts)
    while True:
        order = tuple(labels[index] for index in rng.permutation(len(labels)))
        runs = 1 + sum(a != b for a, b in itertools.pairwise(order))
        if not mixable or runs > len(counts):
            return order
