"""Which listeners count, by the plan's rule alone, and in which order their votes count.

A listener is admitted at the vote with which the rule is met, and stays. In a plan that may be
looked at any time, votes are ordered by the moment they became countable: the counted sequence
only ever grows at its end, so a test along it stays valid although admission takes time.
"""

from dataclasses import dataclass

import numpy as np

from panel.study.plan import Plan
from panel.study.votes import RIGHT, Ints, ListenerTable, VoteTable

NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True)
class Exclusion:
    """`kept`: rows of the votes that count, in the order they count; `excluded`: codes."""

    kept: Ints
    excluded: tuple[str, ...]


def apply(
    plan: Plan, votes: VoteTable, listeners: ListenerTable, rows: Ints | None = None
) -> Exclusion:
    """Apply the plan's exclusion rule to votes in order of arrival: all, or those in `rows`."""
    rows = np.arange(len(votes)) if rows is None else rows
    who = votes.listener[rows]
    people = len(votes.listeners)
    admitted_at = _admitted_at(plan, votes, rows)
    counts = admitted_at != NEVER
    if plan.exclude_by_headphones:
        passed = {
            code
            for code, check in zip(listeners.listener, listeners.headphone_check, strict=True)
            if check == "passed"
        }
        counts &= np.array([code in passed for code in votes.listeners], bool)
    kept = rows[counts[who]]
    if plan.anytime:
        sequence = votes.sequence[kept]
        since = np.maximum(sequence, admitted_at[votes.listener[kept]])
        kept = kept[np.lexsort((sequence, since))]
    voted = np.bincount(who, minlength=people) > 0
    excluded = tuple(votes.listeners[i] for i in np.flatnonzero(voted & ~counts).tolist())
    return Exclusion(kept, excluded)


def _admitted_at(plan: Plan, votes: VoteTable, rows: Ints) -> Ints:
    """(listeners,): the sequence number with which each meets the rule of planted checks; 0 where
    there is none, NEVER where it is not met."""
    needed = plan.planted_least_right or 0
    if not needed:
        return np.zeros(len(votes.listeners), np.int64)
    out = np.full(len(votes.listeners), NEVER)
    planted = votes.on(*(check.id for check in plan.planted_checks))
    hits = rows[planted[rows] & (votes.correct[rows] == RIGHT)]
    hits = hits[np.argsort(votes.listener[hits], kind="stable")]
    who = votes.listener[hits]
    number = np.arange(hits.size) - np.searchsorted(who, who)  # of a listener's hits, from 0
    last = number == needed - 1
    out[who[last]] = votes.sequence[hits[last]]
    return out
