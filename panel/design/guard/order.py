"""The order of recording, which justifies permuting labels over takes: drawn, or warned of where
takes are crossed over another factor. Of the order else, see `panel.design.guard.scope_words`."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np

from panel.errors import BadInput
from panel.study.factors import Factor


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


def growing(factor: Factor | None) -> str:
    """The name of the factor asked about where it may only grow, as hours do: it is numeric."""
    return factor.name if factor is not None and factor.kind == "numeric" else ""


def _in_one_go(orders: Sequence[Sequence[int]]) -> list[int]:
    """The sides in the order of recording, if each was recorded in one go; empty if not.

    A take a side is no order to speak of: then it is empty too.
    """
    if max(len(side) for side in orders) < 2:
        return []
    ordered = sorted((order, index) for index, side in enumerate(orders) for order in side)
    runs = 1 + sum(a[1] != b[1] for a, b in itertools.pairwise(ordered))
    return list(dict.fromkeys(index for _, index in ordered)) if runs <= len(orders) else []


def given_order_sentence(
    labels: Sequence[str], orders: Mapping[str, Sequence[Sequence[int]]], grows: str = ""
) -> str:
    """The warning that recording order and condition are aligned among takes alike in what is
    given, whose labels alone are permuted; "" if they are not.

    Aligned: each condition was recorded in one go, and one of them has more than one take. A
    stratum recorded in mixed order makes up for no other. `orders`: by the name of the stratum and
    by condition, the takes' places in the order of recording. `grows`: the name of the factor
    asked about where it is numeric.
    """
    found = {name: _sequence(labels, own) for name, own in orders.items()}
    told = "; ".join(f"with {name} {sequence}" for name, sequence in found.items() if sequence)
    return _aligned_sentence(told, grows)


def _sequence(labels: Sequence[str], orders: Sequence[Sequence[int]]) -> str:
    return ", then ".join(f"all of “{labels[index]}”" for index in _in_one_go(orders))


def _aligned_sentence(sequence: str, grows: str) -> str:
    if not sequence:
        return ""
    advice = "Record the next takes in mixed order"
    if grows:
        advice += f"; where {grows} can only grow, record an unchanged unit beside it each time"
    return (
        "Order of recording and condition are aligned among takes that are compared "
        f"({sequence}): warming up, drift or fatigue would look like the change. {advice}."
    )
