"""Whether takes were recorded in the order that was drawn for their session."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from itertools import groupby
from typing import Literal

from panel.study.factors import TakeLog, in_order_of_recording
from panel.study.sampling import DrawnOrder, plain

Following = Literal["none", "some", "followed", "other"]


def following(draw: DrawnOrder, takes: Iterable[TakeLog]) -> Following:
    """How the takes logged in the session of a draw follow it.

    "none" is logged of it; "some": what is logged came in the drawn order, and more of it was
    drawn; "followed": all of it, in that order; "other": in another order, or of other specimens.
    Takes of one specimen in a row count as one where the draw names each specimen once.
    """
    drawn = [plain(name) for name in draw.order]
    recorded = list(map(plain, recorded_in(draw, takes)))
    if max(Counter(drawn).values(), default=0) < 2:
        recorded = [name for name, _ in groupby(recorded)]
    if not recorded:
        return "none"
    if recorded == drawn:
        return "followed"
    return "some" if _within(recorded, drawn) else "other"


def recorded_in(draw: DrawnOrder, takes: Iterable[TakeLog]) -> tuple[str, ...]:
    """The specimens recorded in the session of a draw, in the order of recording."""
    session = plain(draw.session)
    return tuple(
        take.specimen for take in in_order_of_recording(takes) if plain(take.session) == session
    )


def _within(part: list[str], whole: list[str]) -> bool:
    """Whether `part` is left of `whole` where some of it is taken out."""
    rest = iter(whole)
    return all(name in rest for name in part)
