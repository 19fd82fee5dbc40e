"""Which procedure to propose for a question, at what price in votes, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from panel.design.power.votes import VotesNeeded, share_right, votes_needed
from panel.procedures.base import PROCEDURES

Purpose = Literal["attribute", "preference", "audibility"]

DPRIMES = (0.5, 1.0, 1.5, 2.0)
PLAN_DPRIME = 1.0


@dataclass(frozen=True)
class Option:
    """One procedure with its price: votes across conditions for 80 % power, for each d′."""

    code: str
    name: str
    votes: tuple[tuple[float, VotesNeeded], ...]
    why: str


def options(purpose: Purpose, alpha: float = 0.05, wanted: float = 0.8) -> list[Option]:
    """Procedures for a purpose, the proposed one first, each with its price and the reason.

    "attribute": a word for the difference is at hand. "preference": which is liked better.
    "audibility": whether anything at all is heard, without a direction.
    """
    wordless = ("abx", "triangle", "duo_trio", "reminder", "same_different")
    order = {
        "attribute": ("attribute", *wordless, "preference"),
        "preference": ("preference", "attribute", *wordless),
        "audibility": (*wordless, "attribute", "preference"),
    }[purpose]
    prices = {
        code: tuple(
            (d, votes_needed(code, share_right(code, dprime=d), alpha, wanted)) for d in DPRIMES
        )
        for code in order
    }
    at_one = {code: dict(prices[code])[PLAN_DPRIME].first or 0 for code in order}
    times = at_one["abx"] / at_one["attribute"]
    whys = {
        "attribute": (
            f"A directed question needs about {at_one['attribute']} votes where ABX needs "
            f"{at_one['abx']} (d′ = 1): {times:.0f} times fewer. The attribute must be named "
            "beforehand, any loudness left over counts as much as the change, and “not heard” "
            "cannot be concluded from it."
        ),
        "preference": (
            "It asks what matters in the end, and is as cheap as a named attribute while "
            "listeners agree. Where they disagree in direction it shows a divided panel and no "
            "mean, and “not heard” cannot be concluded from it."
        ),
        "abx": (
            "It asks for bare audibility, needs no word for the difference, and is the way to "
            f"“not heard”. It costs about {times:.0f} times the votes of a directed question "
            "(d′ = 1)."
        ),
        "triangle": (
            "It too asks for bare audibility, with somewhat fewer votes than ABX "
            f"({at_one['triangle']} against {at_one['abx']} at d′ = 1) and a harder task: three "
            "samples to hold in mind."
        ),
        "duo_trio": (
            f"The same task and price as ABX ({at_one['duo_trio']} votes at d′ = 1), with the "
            "sample that is repeated always in the first place and called the reference. Some find "
            "that easier to keep in mind."
        ),
        "reminder": (
            f"It needs no word for the difference and is as cheap as a named attribute, about "
            f"{at_one['reminder']} votes at d′ = 1: both conditions stay at hand under neutral "
            "names, and two fresh takes are matched to them. It pays with takes dealt by "
            "condition: to speak of the change it needs four takes of each, and “not heard” cannot "
            "be concluded."
        ),
        "same_different": (
            "The shortest task: two samples, the same or not. It is dear, about "
            f"{at_one['same_different']} votes at d′ = 1 at best, as each listener has their own "
            "idea of when to say “different”, and for the same reason “not heard” cannot be "
            "concluded. It tells how often one and the same take is called different."
        ),
    }
    return [Option(code, PROCEDURES[code].name, prices[code], whys[code]) for code in order]
