"""Votes of one kind, across conditions or within, counted and held against chance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from panel.analysis.counts import anytime, exact, monte_carlo, shares
from panel.analysis.decision.coded import Coded
from panel.study.plan import Contrast

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
COIN_DRAWS = 9_999


@dataclass(frozen=True)
class Tally:
    """Votes of one kind (across, or within) and what chance says to them.

    `count`: right answers, or votes for the higher condition; None where no answer can be counted
    (directed, within a condition; or more than two named conditions). `scores`: each listener's
    share, for bounds that respect listeners. `ties`: votes for neither, which `n` leaves out and
    `scores` counts half.
    """

    n: int
    count: int | None
    p: float
    e_value: float | None
    p_anytime: float
    scores: Floats
    listeners: int
    ties: int = 0

    @property
    def share(self) -> float | None:
        """Mean over listeners of their own shares, which the limits are of too, votes for neither
        counted half; None where nothing is counted, or no listener's score may be used yet."""
        return None if self.count is None or not self.scores.size else float(self.scores.mean())


def _coins(rng: np.random.Generator, n: Ints, draws: int) -> Ints:
    """Heads of `n` (streams,) fair coins, (draws, streams): the ones among random bits."""
    heads = np.zeros((draws, n.size), np.int64)
    for start in range(0, int(n.max()), 64):
        words = rng.integers(0, 1 << 64, size=heads.shape, dtype=np.uint64)
        unused = np.clip(64 - (n - start), 0, 64).astype(np.uint64)
        # A shift by all 64 bits is not defined.
        kept = np.where(unused < 64, words >> np.minimum(unused, np.uint64(63)), np.uint64(0))
        heads += np.bitwise_count(kept)
    return heads


def _coins_p(
    y: NDArray[np.bool_],
    streams: Ints,
    rng: np.random.Generator,
    settled_above: float | None,
) -> float:
    """Do several coins (one a stream) stray further from fair than fair coins? Monte Carlo."""
    _, where = np.unique(streams, return_inverse=True)
    n = np.bincount(where)

    def straying(heads: NDArray[np.float64] | Ints) -> Floats:
        out: Floats = (heads - n / 2) ** 2 @ (1 / n)
        return out

    observed = float(straying(np.bincount(where, weights=y.astype(float))))
    # A stream of its own, so that what is drawn later does not depend on when drawing ended.
    source = rng.spawn(1)[0]
    return monte_carlo.p_value(
        lambda draws: straying(_coins(source, n, draws)),
        observed,
        COIN_DRAWS,
        settled_above=settled_above,
    )


def _scores(y: Floats, listener: Ints, complete: NDArray[np.bool_]) -> Floats:
    use = complete[listener]
    return shares.of_listeners(y[use], listener[use])


def tally(
    contrast: Contrast,
    coded: Coded,
    use: NDArray[np.bool_],
    complete: NDArray[np.bool_],
    rng: np.random.Generator,
    *,
    streams: Ints | None = None,
    settled_above: float | None = None,
    looked_at: bool = True,
) -> Tally:
    """Count the votes selected by `use`; `streams` (votes,) where there are several fair coins.

    With `settled_above`, p against several coins is given as 1 where it is above that. Where
    nobody may look before the end, not `looked_at`, p at any look is left at 1.
    """
    people = int(np.unique(coded.listener[use]).size)
    scores = _scores(coded.value[use], coded.listener[use], complete)
    # If nobody hears anything each vote that chose is a coin of its own, however many chose.
    chose = use & coded.decided
    y = coded.y[chose]
    n, k, ties = int(y.size), int(y.sum()), int(np.count_nonzero(use & ~coded.decided))
    if n == 0:
        return Tally(0, 0 if streams is None else None, 1.0, 1.0, 1.0, scores, people, ties)
    if streams is not None:
        e, p_any = anytime.p_anytime_of_several(y, streams[chose]) if looked_at else (None, 1.0)
        p = _coins_p(y, streams[chose], rng, settled_above)
        return Tally(n, None, p, e, p_any, scores[:0], people, ties)
    if contrast.directed and not contrast.known_direction:
        return Tally(
            n,
            k,
            exact.p_two_sided(k, n),
            anytime.e_two_sided(k, n),
            anytime.p_anytime_two_sided(y) if looked_at else 1.0,
            scores,
            people,
            ties,
        )
    g = contrast.chance
    return Tally(
        n,
        k,
        exact.p_greater(k, n, g),
        anytime.e_value(k, n, g),
        anytime.p_anytime(y, g) if looked_at else 1.0,
        scores,
        people,
    )
