"""Votes across conditions counted by stratum, where a question is asked given other factors.

A change may do much with one value of what is given and nothing, or the reverse, with another. The
verdict is one answer over all strata; these counts show what it is made of, and are not tested.
"""

from dataclasses import dataclass

import numpy as np

from panel.analysis.decision.evidence import Evidence, strata_codes


@dataclass(frozen=True)
class StratumCount:
    """Of `n` votes across conditions that chose, `count` were right, or for the later condition."""

    label: str
    count: int
    n: int


def by_stratum(found: Evidence) -> tuple[StratumCount, ...]:
    """Counts in the plan's order of strata; empty where nothing is given. They add up to the
    count and the number of the question's votes."""
    contrast, coded = found.contrast, found.coded
    stratum = None if coded is None else strata_codes(contrast, coded)
    if coded is None or stratum is None:
        return ()
    use = coded.across & coded.decided
    of_vote, y, size = stratum[coded.first[use]], coded.y[use], len(contrast.strata)
    n = np.bincount(of_vote, minlength=size).tolist()
    count = np.bincount(of_vote[y], minlength=size).tolist()
    return tuple(map(StratumCount, contrast.strata_labels, count, n))
