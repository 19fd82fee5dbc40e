"""How reliable each listener's votes are, by random code; nobody is excluded by these numbers.

Exclusion is the plan's rule alone (panel.analysis.decision.exclusion). Here: planted checks right,
side bias, agreement with oneself on repeated trials, time and plays, and the sensitivity that the
pooled model gives the listener (shrunk to the panel's mean).
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import Any

from panel.analysis.counts import exact
from panel.analysis.wording.phrases import percent
from panel.prose import plural
from panel.study.plan import Plan
from panel.study.votes import DIRECTED, ListenerRow, Vote

POSITIONS = ("one", "two", "three")
FIRST = {"duo_trio": "two"}  # its first sample is the reference


def _proportion(count: int, n: int, confidence: float) -> dict[str, Any] | None:
    if n == 0:
        return None
    low, high = exact.interval(count, n, confidence)
    return {"count": count, "trials": n, "share": count / n, "interval": [low, high]}


def _repeats(votes: Sequence[Vote]) -> dict[str, Any] | None:
    """Same pair, excerpt and question met again: how often was the answer the same? Not asked of
    planted checks, which are easy.

    Directed: the same take was chosen, or neither again. Undirected: both right or both wrong.
    """
    met: dict[tuple[str, tuple[str, str], str], list[object]] = defaultdict(list)
    for v in votes:
        answer: object = v.correct
        if v.procedure in DIRECTED:
            answer = v.answer if v.tied else v.chosen
        elif v.procedure == "same_different":
            answer = v.one == v.two, v.answer
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

    `side`: share of the first sample that can be named, among votes for one of two samples (chance
    1/2, as keys are drawn freely), or, if the listener has none, among triangles (chance 1/3).
    """
    planted = {c.id for c in plan.contrasts if c.role == "planted_check"}
    own: dict[str, list[Vote]] = defaultdict(list)
    for v in votes:
        own[v.listener].append(v)
    out = []
    for row in listeners:
        mine = own[row.listener]
        checks = [v for v in mine if v.contrast in planted and v.correct is not None]
        pairs = [v for v in mine if v.procedure != "triangle" and v.answer in POSITIONS]
        sided = pairs or [v for v in mine if v.procedure == "triangle"]
        side = _proportion(
            sum(v.answer == FIRST.get(v.procedure, "one") for v in sided),
            len(sided),
            plan.confidence,
        )
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
                "repeats": _repeats([v for v in mine if v.contrast not in planted]),
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


def of_panel(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    """Sentences on the panel as a whole, from what `per_listener` gave; everybody is counted.

    Only counts: listeners differ, so votes of all together have no interval of their own here.
    """
    planted = [e["planted"] for e in entries if e.get("planted")]
    out = []
    if planted:
        right, asked = (sum(p[key] for p in planted) for key in ("count", "trials"))
        perfect = sum(p["count"] == p["trials"] for p in planted)
        out.append(
            f"Planted checks were answered right in {right:,} of {asked:,} trials "
            f"({percent(right / asked)}); {perfect:,} of {plural(len(planted), 'listener')} got "
            "all of theirs right."
        )
    else:
        out.append("No planted check was answered, so nobody is shown to have been able.")
    repeats = [e["repeats"] for e in entries if e.get("repeats")]
    if repeats:
        same, compared = (sum(r[key] for r in repeats) for key in ("same", "compared"))
        out.append(
            "Asked a question about the same pair and excerpt again, "
            f"{plural(len(repeats), 'listener')} "
            f"answered as before in {same:,} of {compared:,} cases ({percent(same / compared)}): "
            "right both times or wrong both times, or, where nothing is right, for the same take. "
            "Guessing gives about half."
        )
    else:
        out.append(
            "No listener met the same pair and excerpt twice: the schedule puts different pairs "
            "first, so how far listeners agree with themselves cannot be told."
        )
    return out
