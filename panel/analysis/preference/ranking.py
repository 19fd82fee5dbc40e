"""Three or more conditions put in order by paired choices, the take being the unit.

*Which differ.* Each take has a score, its share of wins. That the conditions of a set are alike is
tested by permuting labels among the takes of that set alone, the other takes left as they are:
exact at any spread of takes. Two conditions are told apart by the closed testing procedure (Marcus,
Peritz & Gabriel 1976, Biometrika 63, 655–660): every way in which these two and any others may be
alike must be rejected. Where such a way names several groups, each alike within itself, the least p
counts times the number of groups. So the chance of any wrong order among all pairs is at most
alpha, and three conditions cost no adjustment: four takes each reach 1/35.

*How far apart.* Differences of mean scores, and of mean log worths, with intervals that hold
together over all pairs (Bonferroni). The variance has two parts: takes within a condition, and
listeners, who may differ in taste (each listener's votes count as one, Liang & Zeger 1986). Both
hold the noise of single votes, so the interval is a little too wide. Degrees of freedom after
Satterthwaite (1946, Biometrics Bulletin 2, 110–114), parts of K takes having K − 1.

An order is claimed where both speak: the adjusted p is at or under alpha, and the interval of the
scores leaves out zero. The first says that it is the change, the second that other listeners
would agree.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from panel.analysis.attribution import permutation, variance_parts
from panel.analysis.preference import worths
from panel.errors import BadInput

MOST_CONDITIONS = 6
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Interval = tuple[float, float]


@dataclass(frozen=True)
class PairOrder:
    """Condition `higher` against `lower`, which has the smaller mean score (or the same).

    `difference`: of mean shares of wins; `log_worth`: of mean log worths, None where worths are
    infinite. Intervals hold together over all pairs; None with one take of a condition or one
    listener. `p`: of this pair alone; `p_adjusted`: over all pairs; `apart`: may be claimed.
    """

    higher: int
    lower: int
    difference: float
    interval: Interval | None
    log_worth: float | None
    log_worth_interval: Interval | None
    p: float
    p_adjusted: float
    apart: bool


@dataclass(frozen=True)
class Ranking:
    """`order`: conditions from the most chosen down; `scores` (conditions,): mean share of wins;
    `score_intervals`: of these, holding together over the conditions, None as for a pair's.

    `log_worths` (conditions,) mean 0 over takes, `position_one` its log odds, `tie` Davidson's ν:
    None where not told. `p_alike`: that all conditions are alike. `least_p`: the least adjusted p
    that any pair could reach with these takes.
    """

    order: tuple[int, ...]
    scores: Floats
    log_worths: Floats | None
    position_one: float | None
    tie: float | None
    p_alike: float
    least_p: float
    pairs: tuple[PairOrder, ...]
    score_intervals: tuple[Interval | None, ...] = ()

    @property
    def groups(self) -> tuple[tuple[int, ...], ...]:
        """Runs along the order inside which no pair may be told apart; they may overlap."""
        apart = {frozenset((p.higher, p.lower)) for p in self.pairs if p.apart}
        runs: list[tuple[int, ...]] = []
        for start in range(len(self.order)):
            end = start + 1
            while end < len(self.order) and all(
                frozenset((a, self.order[end])) not in apart for a in self.order[start:end]
            ):
                end += 1
            run = self.order[start:end]
            if not runs or not set(run) <= set(runs[-1]):
                runs.append(run)
        return tuple(runs)


def partitions(items: Sequence[int]) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Every way to part `items` into groups."""
    if not items:
        yield ()
        return
    head, rest = items[0], items[1:]
    for size in range(len(rest) + 1):
        for others in combinations(rest, size):
            left = [x for x in rest if x not in others]
            for tail in partitions(left):
                yield ((head, *others), *tail)


def adjusted(p_alike: dict[frozenset[int], float], conditions: int) -> dict[frozenset[int], float]:
    """Closed testing: adjusted p by pair from the p of each set of two or more conditions."""
    out = {frozenset(pair): 0.0 for pair in combinations(range(conditions), 2)}
    for parted in partitions(range(conditions)):
        several = [frozenset(group) for group in parted if len(group) > 1]
        if not several:
            continue
        p = min(1.0, len(several) * min(p_alike[group] for group in several))
        for group in several:
            for pair in combinations(sorted(group), 2):
                out[frozenset(pair)] = max(out[frozenset(pair)], p)
    return out


def _alike(scores: Floats, labels: Ints, among: Sequence[int], rng: np.random.Generator) -> float:
    """p of the conditions `among` being alike, by their own takes' labels only."""
    use = np.isin(labels, among)
    own = np.searchsorted(np.asarray(among), labels[use])
    return permutation.directed(scores[use], own, rng).p


def least_p(sizes: Sequence[int]) -> float:
    """The least adjusted p that any pair can reach with `sizes` takes of each condition."""

    def least(among: Sequence[int]) -> float:
        count = permutation.distinct_labelings([sizes[c] for c in among], interchangeable=True)
        return max(1 / count, 1 / (1 + permutation.DRAWS)) if len(among) > 2 else 1 / count

    conditions = range(len(sizes))
    alike = {
        frozenset(s): least(s) for size in conditions for s in combinations(conditions, size + 1)
    }
    return min(adjusted(alike, len(sizes)).values())


def _shares_with_influence(
    winner_value: Floats, first: Ints, second: Ints, listener: Ints, takes: int
) -> tuple[Floats, Floats]:
    """Share of wins of each take (takes,), and each listener's influence on it."""
    people = int(listener.max()) + 1
    wins, n = np.zeros((people, takes)), np.zeros((people, takes))
    np.add.at(wins, (listener, second), winner_value)
    np.add.at(wins, (listener, first), 1 - winner_value)
    np.add.at(n, (listener, second), 1.0)
    np.add.at(n, (listener, first), 1.0)
    total = n.sum(axis=0)
    share = np.divide(wins.sum(axis=0), total, out=np.full(takes, 0.5), where=total > 0)
    influence = np.divide(wins - n * share, total, out=np.zeros_like(wins), where=total > 0)
    return share, influence


def contrast_interval(
    estimate: Floats, influence: Floats, weights: Floats, labels: Ints, confidence: float
) -> Interval | None:
    """Interval for Σ weights·estimate over takes, which are draws within their conditions.

    `estimate`, `weights`, `labels` (takes,): the weights of one condition must be equal;
    `influence` (listeners, takes). None with a single take of a condition, or a single listener.
    """
    people = np.count_nonzero(np.any(influence != 0, axis=1))
    parts: list[tuple[float, int]] = []
    for c in np.unique(labels[weights != 0]):
        own = labels == c
        size = int(np.count_nonzero(own))
        if size < 2:
            return None
        weight = float(weights[own].sum())
        parts.append((weight**2 * float(np.var(estimate[own], ddof=1)) / size, size - 1))
    if people < 2:
        return None
    moved = influence @ weights
    parts.append((float(np.sum(moved**2)) * people / (people - 1), int(people) - 1))
    return variance_parts.interval(float(estimate @ weights), parts, confidence)


def _share_interval(
    share: Floats, influence: Floats, labels: Ints, condition: int, confidence: float
) -> Interval | None:
    """Interval of one condition's mean score, which lies between 0 and 1."""
    own = labels == condition
    found = contrast_interval(share, influence, own / np.count_nonzero(own), labels, confidence)
    return None if found is None else (max(0.0, found[0]), min(1.0, found[1]))


def rank(
    first: Ints,
    second: Ints,
    value: Floats,
    one: Ints,
    listener: Ints,
    labels: Ints,
    rng: np.random.Generator,
    *,
    alpha: float = 0.05,
) -> Ranking:
    """Put conditions in order from votes on a round robin of their takes.

    `first`, `second` (votes,): takes of the pair; `value` (votes,): 1 for `second`, 0 for `first`,
    1/2 for neither; `one` (votes,): the take that came first; `listener` (votes,): codes;
    `labels` (takes,): each take's condition. Raises BadInput without votes, for fewer than two
    conditions, or for more than MOST_CONDITIONS.
    """
    conditions = int(labels.max(initial=-1)) + 1
    if not 2 <= conditions <= MOST_CONDITIONS:
        raise BadInput(
            f"{conditions} conditions cannot be put in order.",
            hint=f"Ask about two to {MOST_CONDITIONS} at once.",
        )
    if first.size == 0:
        raise BadInput("There are no votes to put in order.", hint="Wait for some.")
    takes = int(labels.size)
    share, influence = _shares_with_influence(value, first, second, listener, takes)
    everyone = range(conditions)
    alike = {
        frozenset(among): _alike(share, labels, among, rng)
        for size in range(2, conditions + 1)
        for among in combinations(everyone, size)
    }
    p_adjusted = adjusted(alike, conditions)
    means = np.array([share[labels == c].mean() for c in everyone])
    order = tuple(sorted(everyone, key=lambda c: (-means[c], c)))
    try:
        fitted = worths.fit(
            *worths.as_presented(first, second, value, one),
            takes,
            order_effect=True,
            cluster=listener,
        )
    except BadInput:
        fitted = None
    together = 1 - alpha / len(p_adjusted)
    pairs = []
    for higher, lower in combinations(order, 2):
        weights = (labels == higher) / np.count_nonzero(labels == higher) - (
            labels == lower
        ) / np.count_nonzero(labels == lower)
        interval = contrast_interval(share, influence, weights, labels, together)
        worth, worth_interval = None, None
        if fitted is not None and fitted.influence is not None:
            worth = float(fitted.log_worth @ weights)
            worth_interval = contrast_interval(
                fitted.log_worth, fitted.influence, weights, labels, together
            )
        p = p_adjusted[frozenset((higher, lower))]
        pairs.append(
            PairOrder(
                higher=higher,
                lower=lower,
                difference=float(share @ weights),
                interval=interval,
                log_worth=worth,
                log_worth_interval=worth_interval,
                p=alike[frozenset((higher, lower))],
                p_adjusted=p,
                apart=p <= alpha and interval is not None and interval[0] > 0,
            )
        )
    return Ranking(
        order=order,
        scores=means,
        score_intervals=tuple(
            _share_interval(share, influence, labels, c, 1 - alpha / conditions) for c in everyone
        ),
        log_worths=None
        if fitted is None
        else np.array([fitted.log_worth[labels == c].mean() for c in everyone]),
        position_one=None if fitted is None else fitted.order_effect,
        tie=None if fitted is None else fitted.tie,
        p_alike=alike[frozenset(everyone)],
        least_p=least_p(np.bincount(labels).tolist()),
        pairs=tuple(pairs),
    )
