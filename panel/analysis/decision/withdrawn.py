"""Listeners who took back their consent: what the verdict says of them, and what they cost it.

Removed answers are gone, only their number is kept. In a sealed plan nobody can have picked them
by the outcome, so what is left is as good a sample of votes as before. In a plan that may be
looked at any time somebody who knows the outcome could have removed answers through a listener's
link; there each removed answer counts against the claim, and nothing is claimed that the counts
alone cannot carry.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from panel.analysis.counts import anytime
from panel.prose import plural
from panel.study.plan import Contrast, Plan
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


def told(plan: Plan, withdrawn: Withdrawn) -> dict[str, Any] | None:
    """For verdict.json: how many withdrew, and in a sentence; None if nobody did."""
    sentences = _sentences(plan, withdrawn)
    if not sentences:
        return None
    return {
        "kept": withdrawn.kept,
        "removed": len(withdrawn.removed),
        "answers_removed": withdrawn.answers,
        "sentence": " ".join(sentences),
    }


def reasons(plan: Plan, withdrawn: Withdrawn) -> list[str]:
    """Sentences for the reasons of each question."""
    return _sentences(plan, withdrawn) if withdrawn.answers else []


def _sentences(plan: Plan, withdrawn: Withdrawn) -> list[str]:
    out = []
    if withdrawn.kept:
        out.append(
            f"{plural(withdrawn.kept, 'listener')} withdrew and left the answers, without a name."
        )
    if withdrawn.removed:
        had = plural(withdrawn.answers, "answer")
        was = "was" if withdrawn.answers == 1 else "were"
        out.append(
            f"{plural(len(withdrawn.removed), 'listener')} withdrew and had the answers removed: "
            f"{had} {was} there."
        )
        if withdrawn.answers and plan.anytime:
            out.append(
                "Outcomes could be seen meanwhile, so each removed answer counts against a claim "
                "here, and a claim about the change is not made."
            )
        elif withdrawn.answers:
            out.append("The study was sealed, so they cannot have been chosen by the outcome.")
    return out
