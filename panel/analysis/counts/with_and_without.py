"""Limits on the share who hear where a rule leaves some listeners out.

Who passes the planted checks is more often one who hears, so a limit from those who pass alone
tells of a keener panel than the people it stands for: "at least" from them is above the truth far
more often than one time in twenty. But who is left out may not have listened at all, and then "at
most" from everybody is too low. So "at least" comes from all who voted, "at most" is the larger of
with and without, and both are shown. Counting the left-out as guessers is never right.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from panel.analysis.counts import shares


@dataclass(frozen=True)
class WithAndWithout:
    """Limits on the share who hear: of all who voted, and of those who the rule keeps."""

    lower_all: float
    upper_all: float
    lower_kept: float
    upper_kept: float

    @property
    def at_least(self) -> float:
        return self.lower_all

    @property
    def at_most(self) -> float:
        return max(self.upper_all, self.upper_kept)

    def under(self, limit: float) -> bool:
        """Whether both upper limits lie under `limit`: what "not heard" needs."""
        return self.at_most < limit


def limits(
    scores: ArrayLike,
    kept: ArrayLike,
    chance: float,
    confidence: float = 0.95,
    *,
    anytime: bool = False,
) -> WithAndWithout:
    """`scores` (listeners,): each listener's own share right; `kept` (listeners,): whether the rule
    keeps him. Each limit is one-sided; 0 and 1 where nobody is left. Raises ValueError if the two
    are not of one length."""
    x, stays = np.asarray(scores, float), np.asarray(kept, bool)
    if x.shape != stays.shape:
        raise ValueError(f"{x.size} scores, but {stays.size} listeners")

    def both(of: ArrayLike) -> tuple[float, float]:
        if not np.size(of):
            return 0.0, 1.0
        return (
            shares.share_lower(of, chance, confidence, anytime=anytime),
            shares.share_upper(of, chance, confidence, anytime=anytime),
        )

    return WithAndWithout(*both(x), *both(x[stays]))
