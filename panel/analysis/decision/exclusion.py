"""Which listeners count, by the plan's rule alone, and in which order their votes count.

A listener is admitted at the vote with which the rule is met, and stays. In a plan that may be
looked at any time, votes are ordered by the moment they became countable: the counted sequence
only ever grows at its end, so a test along it stays valid although admission takes time.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from panel.study.plan import Plan
from panel.study.votes import ListenerRow, Vote


@dataclass(frozen=True)
class Exclusion:
    """`kept`: votes that count, in the order they count; `excluded`: codes; `rule`: in words."""

    kept: tuple[Vote, ...]
    excluded: tuple[str, ...]
    rule: str


def rule_in_words(plan: Plan) -> str:
    parts = []
    if plan.planted_least_right is not None:
        parts.append(
            f"Only listeners with at least {plan.planted_least_right} planted checks right count."
        )
    if plan.exclude_by_headphones:
        parts.append("Only listeners who passed the headphone check count.")
    return " ".join(parts) or "Nobody is excluded."


def apply(plan: Plan, votes: Sequence[Vote], listeners: Sequence[ListenerRow]) -> Exclusion:
    """Apply the plan's exclusion rule to votes in order of arrival."""
    planted = {c.id for c in plan.contrasts if c.role == "planted_check"}
    barred = {
        r.listener
        for r in listeners
        if plan.exclude_by_headphones and r.headphone_check != "passed"
    }
    needed = plan.planted_least_right or 0
    hits = {r.listener: 0 for r in listeners}
    admitted_at = {r.listener: 0 for r in listeners if needed == 0}
    for vote in votes:
        if vote.contrast in planted and vote.correct:
            hits[vote.listener] += 1
            if hits[vote.listener] == needed:
                admitted_at[vote.listener] = vote.sequence
    kept = [v for v in votes if v.listener in admitted_at and v.listener not in barred]
    if plan.anytime:
        kept.sort(key=lambda v: (max(v.sequence, admitted_at[v.listener]), v.sequence))
    voted = {v.listener for v in votes}
    counted = {v.listener for v in kept}
    return Exclusion(tuple(kept), tuple(sorted(voted - counted)), rule_in_words(plan))
