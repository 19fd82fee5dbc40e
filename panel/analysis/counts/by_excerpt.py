"""Votes and limits by excerpt, and what may be said of single ones.

An average over excerpts hides that a difference is heard on one of them. Three sentences, with
three prices:

- "not heard on each of these" is an intersection: each excerpt's own limit at the plan's confidence
  must lie under the plan's limit, and no correction is due, as a single excerpt that fails spoils
  it (Berger 1982, Technometrics 24, 295–300; memory);
- bounds shown together as a table take one: (1 − confidence) is divided among the excerpts
  (Bonferroni), so that they are all true at once;
- "heard on excerpt 3" picks among excerpts: p after Holm (1979, Scand. J. Statist. 6, 65–70).

Nothing here speaks of other music.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.analysis.counts import exact, shares
from panel.analysis.counts.holm import holm

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class OnExcerpt:
    """Votes on one excerpt.

    `right` of `n` votes, by `listeners`. `estimate`: mean share who hear beyond guessing, a
    listener's own share first, None without votes. `lower`, `upper`: its limits, each one-sided at
    the confidence asked for; `lower_together`, `upper_together`: such that those of all excerpts
    hold at once. `p`: that guessing does as well, or, if that is larger, the p that was given for
    the change; `p_holm`: adjusted over the excerpts.
    """

    right: int
    n: int
    listeners: int
    estimate: float | None
    lower: float
    upper: float
    lower_together: float
    upper_together: float
    p: float
    p_holm: float


def by_excerpt(
    right: Bools,
    listener: Ints,
    excerpt: Ints,
    excerpts: int,
    chance: float,
    confidence: float = 0.95,
    p_change: Sequence[float] | None = None,
) -> tuple[OnExcerpt, ...]:
    """Counts and limits of each of `excerpts`, at a planned end.

    `right`, `listener`, `excerpt` (votes,): whether right, and codes from 0. `p_change`
    (excerpts,): p of each that it is the change rather than the recordings, where that is claimed
    too. An excerpt without votes is bounded by nothing: 0 and 1, and p is 1.
    """
    together = 1 - (1 - confidence) / max(1, excerpts)
    scores = [
        shares.of_listeners(right[excerpt == e], listener[excerpt == e]) for e in range(excerpts)
    ]
    n = np.bincount(excerpt, minlength=excerpts).tolist()
    k = np.bincount(excerpt[right], minlength=excerpts).tolist()
    p = [exact.p_greater(k[e], n[e], chance) for e in range(excerpts)]
    if p_change is not None:
        p = [max(pair) for pair in zip(p, p_change, strict=True)]
    adjusted = holm(p)
    return tuple(
        OnExcerpt(
            right=k[e],
            n=n[e],
            listeners=int(x.size),
            estimate=shares.share_estimate(x, chance),
            lower=shares.share_lower(x, chance, confidence) if x.size else 0.0,
            upper=shares.share_upper(x, chance, confidence),
            lower_together=shares.share_lower(x, chance, together) if x.size else 0.0,
            upper_together=shares.share_upper(x, chance, together),
            p=p[e],
            p_holm=adjusted[e],
        )
        for e, x in enumerate(scores)
    )


def not_heard_on_each(found: Sequence[OnExcerpt], limit: float) -> bool:
    """Whether each excerpt's own upper limit lies under `limit`, a share who hear."""
    return len(found) > 0 and all(one.upper < limit for one in found)


def heard_on(found: Sequence[OnExcerpt], alpha: float) -> tuple[int, ...]:
    """The excerpts, from 0, that may be named as heard; together false in at most `alpha`."""
    return tuple(e for e, one in enumerate(found) if one.p_holm <= alpha)
