"""Worths from paired choices: Bradley–Terry, with ties (Davidson) and an order effect.

Of items i (presented first) and j: P(i), P(j), P(tie) are proportional to

    exp(a_i + γ),   exp(a_j),   exp(δ + (a_i + a_j) / 2),

a the log worths (their mean is 0), γ the order effect (0 unless asked for), exp(δ) Davidson's ν
(no ties: that term is absent). Bradley & Terry 1952, Biometrika 39, 324–345; Davidson 1970, JASA
65, 317–328; the order effect enters as the home advantage in Agresti, *Categorical Data Analysis*,
2nd ed. 2002, pp. 436–439. The likelihood is concave: Newton's method.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.special import logsumexp

from panel.errors import BadInput

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_MOST_CONDITION = 1e13  # of the information matrix
_MOST_STEPS = 100


@dataclass(frozen=True)
class Worths:
    """`log_worth` (items,), mean 0; `covariance` (items, items) of it, votes taken as independent.

    `order_effect` and its `order_se`: log odds of the first presented, None if not fitted. `tie`:
    Davidson's ν, None without ties. `log_likelihood`: of the votes one by one (no coefficients).
    `influence` (clusters, items), if clusters were given: by how much each moves the log worths, to
    first order; the sum of its squares over clusters is the variance that clustering leaves
    (Liang & Zeger 1986, Biometrika 73, 13–22).
    """

    log_worth: Floats
    covariance: Floats
    order_effect: float | None
    order_se: float | None
    tie: float | None
    log_likelihood: float
    influence: Floats | None = None

    def difference(self, i: int, j: int) -> tuple[float, float]:
        """log worth of i minus j, and its standard error."""
        c = self.covariance
        variance = max(0.0, c[i, i] + c[j, j] - 2 * c[i, j])
        return float(self.log_worth[i] - self.log_worth[j]), float(np.sqrt(variance))

    def beats(self, i: int, j: int) -> float:
        """Probability that i wins over j in neutral order, ties set aside."""
        return float(1 / (1 + np.exp(self.log_worth[j] - self.log_worth[i])))


def has_finite_worths(winner: ArrayLike, loser: ArrayLike, items: int) -> bool:
    """Whether every item is linked to every other by wins (Ford 1957): else no finite maximum."""
    w, z = np.asarray(winner, np.int64), np.asarray(loser, np.int64)
    graph = coo_array((np.ones(w.size), (w, z)), shape=(items, items))
    parts, _ = connected_components(graph, directed=True, connection="strong")
    return int(parts) == 1


def as_presented(first: Ints, second: Ints, value: Floats, one: Ints) -> tuple[Ints, Ints, Ints]:
    """What `fit` takes, from votes on the pair `first`, `second` with `one` in the first position:
    `value` (votes,) is 1 for `second`, 0 for `first`, 1/2 for neither."""
    other = np.where(one == first, second, first)
    outcome = np.where(value == 0.5, 2, np.where((value == 1) == (one == second), 0, 1))
    return one, other, outcome


def fit(
    first: ArrayLike,
    second: ArrayLike,
    outcome: ArrayLike,
    items: int,
    n: ArrayLike | None = None,
    *,
    order_effect: bool = False,
    cluster: ArrayLike | None = None,
) -> Worths:
    """Fit worths. `first`, `second` (rows,): items; `outcome` (rows,): 0 first, 1 second, 2 tie.

    `n` (rows,): how often each row occurred, 1 if not given. `cluster` (rows,): codes from 0 of
    whatever votes belong together by (listeners), for `influence`. Raises BadInput if some items
    never lose to, or never win against, the rest, as the worths are then infinite, and if the votes
    are too few to tell worths from the effect of position.
    """
    a, b = np.asarray(first, np.int64), np.asarray(second, np.int64)
    said = np.asarray(outcome, np.int64)
    weight = np.ones(a.size) if n is None else np.asarray(n, float)
    keep = weight > 0
    a, b, said, weight = a[keep], b[keep], said[keep], weight[keep]
    tied = said == 2
    winner, loser = np.where(said == 0, a, b), np.where(said == 0, b, a)
    wins = np.concatenate([winner[~tied], a[tied], b[tied]])
    losses = np.concatenate([loser[~tied], b[tied], a[tied]])
    if a.size == 0 or not has_finite_worths(wins, losses, items):
        raise BadInput(
            "Some items only ever win or only ever lose against the rest, so no worths exist.",
            hint="Give the counts instead, or gather votes on more pairs.",
        )
    ties = bool(tied.any())
    if ties and bool(tied.all()):
        raise BadInput("All votes are ties, so no worths exist.", hint="Give the counts instead.")
    # Columns: items 0..items−2 (the last is the reference), then order, then tie.
    columns = items - 1 + order_effect + ties
    rows = np.arange(a.size)
    design = np.zeros((a.size, 2 + ties, items + 2))
    design[rows, 0, a] = 1.0
    design[rows, 0, items] = 1.0
    design[rows, 1, b] = 1.0
    if ties:
        design[rows, 2, a] += 0.5
        design[rows, 2, b] += 0.5
        design[rows, 2, items + 1] = 1.0
    used = [*range(items - 1), *([items] if order_effect else []), *([items + 1] if ties else [])]
    design = design[:, :, used]
    theta = np.zeros(columns)

    def likelihood(at: Floats) -> tuple[float, Floats]:
        u = design @ at
        log_p = u - logsumexp(u, axis=1, keepdims=True)
        return float(np.sum(weight * log_p[rows, said])), np.exp(log_p)

    value, p = likelihood(theta)
    hessian = np.eye(columns)
    for _ in range(_MOST_STEPS):
        mean = np.einsum("rk,rkc->rc", p, design)
        score = weight @ (design[rows, said] - mean)
        second_moment = np.einsum("r,rk,rkc,rkd->cd", weight, p, design, design)
        hessian = second_moment - (mean * weight[:, None]).T @ mean
        if np.linalg.cond(hessian) > _MOST_CONDITION:
            # Worths and the effect of position explain the same votes, or run to infinity together.
            raise BadInput(
                "These votes are too few to tell worths from the effect of position.",
                hint="Give the counts instead, or gather votes on more pairs.",
            )
        step = np.linalg.solve(hessian, score)
        for _ in range(40):
            trial, trial_p = likelihood(theta + step)
            if trial >= value - 1e-12:
                break
            step = step / 2
        theta, value, p = theta + step, trial, trial_p
        if float(np.max(np.abs(step))) < 1e-10:
            break
    else:
        raise BadInput("The worths did not settle.", hint="Give the counts instead.")
    covariance = np.linalg.inv(hessian)
    centre = np.eye(items) - 1 / items
    influence = None
    if cluster is not None:
        codes = np.asarray(cluster, np.int64)[keep]
        each = weight[:, None] * (design[rows, said] - np.einsum("rk,rkc->rc", p, design))
        by_cluster = np.zeros((int(codes.max()) + 1, columns))
        np.add.at(by_cluster, codes, each)
        moved = (by_cluster @ covariance)[:, : items - 1]
        influence = np.pad(moved, ((0, 0), (0, 1))) @ centre
    full = np.zeros((items, items))
    full[:-1, :-1] = covariance[: items - 1, : items - 1]
    log_worth = centre @ np.append(theta[: items - 1], 0.0)
    return Worths(
        log_worth=log_worth,
        covariance=centre @ full @ centre,
        order_effect=float(theta[items - 1]) if order_effect else None,
        order_se=float(np.sqrt(covariance[items - 1, items - 1])) if order_effect else None,
        tie=float(np.exp(theta[-1])) if ties else None,
        log_likelihood=value,
        influence=influence,
    )
