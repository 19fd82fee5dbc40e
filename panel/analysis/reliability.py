"""How reliable each listener's votes are, by random code; nobody is excluded by these numbers.

Exclusion is the plan's rule alone (panel.analysis.exclusion). Here: planted checks right, side
bias, agreement with oneself on repeated trials, time and plays, and the sensitivity that the
pooled model gives the listener (shrunk to the panel's mean).
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import Any

from panel.analysis import exact
from panel.analysis.plan_reading import DIRECTED, Plan
from panel.analysis.votes import ListenerRow, Vote


def _proportion(count: int, n: int, confidence: float) -> dict[str, Any] | None:
    if n == 0:
        return None
    low, high = exact.interval(count, n, confidence)
    return {"count": count, "trials": n, "share": count / n, "interval": [low, high]}


def _repeats(votes: Sequence[Vote]) -> dict[str, Any] | None:
    """Same pair, excerpt and question met again: how often was the answer the same?

    Directed: the same take was chosen. Undirected: both right or both wrong.
    """
    met: dict[tuple[str, tuple[str, str], str], list[object]] = defaultdict(list)
    for v in votes:
        answer: object = v.chosen if v.procedure in DIRECTED else v.correct
        met[v.contrast, v.pair, v.excerpt].append(answer)
    same = compared = 0
    for answers in met.values():
        for earlier, later in pairwise(answers):
            compared += 1
            same += earlier == later
    return {"same": same, "compared": compared} if compared else None


def per_listener(
    plan: Plan,
    votes: Sequence[Vote],
    listeners: Sequence[ListenerRow],
    excluded: Sequence[str],
    dprimes: Mapping[str, Mapping[str, tuple[float, float, float]]],
) -> list[dict[str, Any]]:
    """One entry a listener, in order of code. `dprimes`: question id to listener to (d′, lo, hi).

    `side`: share of "one" among votes with two answers (chance 1/2, as keys are drawn freely), or,
    if the listener has none, among triangles (chance 1/3).
    """
    planted = {c.id for c in plan.contrasts if c.role == "planted_check"}
    own: dict[str, list[Vote]] = defaultdict(list)
    for v in votes:
        own[v.listener].append(v)
    out = []
    for row in listeners:
        mine = own[row.listener]
        checks = [v for v in mine if v.contrast in planted and v.correct is not None]
        pairs = [v for v in mine if v.procedure != "triangle"]
        sided = pairs or mine
        side = _proportion(sum(v.answer == "one" for v in sided), len(sided), plan.confidence)
        if side is not None:
            side["chance"] = 0.5 if pairs else 1 / 3
        out.append(
            {
                "listener": row.listener,
                "votes": len(mine),
                "finished": row.finished,
                "counts": row.listener not in excluded,
                "headphone_check": row.headphone_check,
                "planted": _proportion(
                    sum(bool(v.correct) for v in checks), len(checks), plan.confidence
                ),
                "side": side,
                "repeats": _repeats(mine),
                "seconds_median": median(v.seconds for v in mine) if mine else None,
                "plays_median": median(v.plays for v in mine) if mine else None,
                "dprime": {
                    q: {"value": d[row.listener][0], "interval": list(d[row.listener][1:])}
                    for q, d in dprimes.items()
                    if row.listener in d
                },
            }
        )
    return out
