"""Listeners who took back their consent: what the verdict says of them, and what they cost it.

Removed answers are gone, only their number is kept. In a sealed plan nobody can have picked them
by the outcome, so what is left is as good a sample of votes as before. In a plan that may be
looked at any time somebody who knows the outcome could have removed answers through a listener's
link; there each removed answer counts against the claim, and nothing is claimed that the counts
alone cannot carry.
"""

import math
from dataclasses import dataclass

import numpy as np

from panel.analysis.counts import anytime
from panel.study.plan import Contrast
from panel.study.verdict import WithdrawnListeners
from panel.study.votes import Flags, ListenerTable


@dataclass(frozen=True)
class Withdrawn:
    """`kept`: withdrew, answers left without a name; `removed`: votes taken out, one number for
    each listener who had theirs removed."""

    kept: int
    removed: tuple[int, ...]

    @property
    def answers(self) -> int:
        return sum(self.removed)


def found_in(listeners: ListenerTable) -> Withdrawn:
    removed = listeners.votes_removed[_removed(listeners)].tolist()
    return Withdrawn(listeners.withdrew.count("kept"), tuple(removed))


def present(listeners: ListenerTable) -> ListenerTable:
    """The listeners whose answers are there."""
    return listeners.select(~_removed(listeners))


def _removed(listeners: ListenerTable) -> Flags:
    return np.array([how == "removed" for how in listeners.withdrew], bool)


def most_removed(contrast: Contrast, withdrawn: Withdrawn) -> int:
    """At most so many of the removed answers belonged to the contrast."""
    return sum(min(votes, contrast.votes_per_listener) for votes in withdrawn.removed)


def p_at_worst(contrast: Contrast, count: int | None, n: int, removed: int) -> float:
    """A p value against chance that holds at any look, whatever the removed answers were.

    The e-value grows with the number right, so with all removed answers taken as wrong it is at
    most that of the whole sequence; two-sided, the least over what they can have been. 1 where
    the votes are not one count.
    """
    if count is None:
        return 1.0
    if contrast.directed:
        log_e = min(
            float(anytime.log_e_values_two_sided(count + right, n + chose))
            for chose in (range(removed + 1) if contrast.ties else (removed,))
            for right in range(chose + 1)
        )
    else:
        log_e = float(anytime.log_e_values(count, n + removed, contrast.chance))
    return math.exp(-max(0.0, log_e))


def told(withdrawn: Withdrawn) -> WithdrawnListeners | None:
    """How many withdrew; None if nobody did."""
    if not (withdrawn.kept or withdrawn.removed):
        return None
    return WithdrawnListeners(withdrawn.kept, len(withdrawn.removed), withdrawn.answers)
