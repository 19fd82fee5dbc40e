"""Which procedure to propose for a question, at what price in votes, and why."""

from __future__ import annotations

from dataclasses import dataclass

from panel.design.power.votes import VotesNeeded, share_right, votes_needed
from panel.procedures.base import Purpose
from panel.procedures.catalogue import MEASURE, PROCEDURES, in_order

DPRIMES = (0.5, 1.0, 1.5, 2.0)
PLAN_DPRIME = 1.0

INSTEAD: dict[Purpose, tuple[Purpose, ...]] = {
    "direction": ("direction", "audibility", "liking"),
    "liking": ("liking", "direction", "audibility"),
    "audibility": ("audibility", "direction", "liking"),
}
"""For each purpose, what procedures are for, those that serve it first."""


@dataclass(frozen=True)
class Option:
    """One procedure with its price: votes across conditions for 80 % power, for each d′."""

    code: str
    name: str
    votes: tuple[tuple[float, VotesNeeded], ...]
    why: str


def options(purpose: Purpose, alpha: float = 0.05, wanted: float = 0.8) -> list[Option]:
    """Procedures for a purpose, the proposed one first, each with its price and the reason.

    "direction": a word for the difference is at hand. "liking": which is liked better.
    "audibility": whether anything at all is heard, without a direction.
    """
    order = in_order(PROCEDURES, INSTEAD[purpose])
    prices = {
        kind.code: tuple(
            (d, votes_needed(kind.code, share_right(kind.code, dprime=d), alpha, wanted))
            for d in DPRIMES
        )
        for kind in order
    }
    at_one = {code: dict(price)[PLAN_DPRIME].first or 0 for code, price in prices.items()}
    dear, cheap = (at_one[kind.code] for kind in MEASURE)
    return [
        Option(
            kind.code,
            kind.name,
            prices[kind.code],
            kind.why.format(own=at_one[kind.code], abx=dear, times=f"{dear / cheap:.0f}"),
        )
        for kind in order
    ]
