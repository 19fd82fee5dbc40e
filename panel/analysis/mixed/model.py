"""Generalised linear mixed models for votes, with crossed random intercepts and our own links.

y right of n in a row, n = 1 if not given:

    y ~ Binomial(n, F(η)),   η = X β + Σ_g σ_g u_g[code],   u_g standard normal,

F the logit or probit, or a procedure's psychometric curve, so that β and σ are on the scale of d′
(see mixed_links for the even curves, which know no d′ < 0). Estimates maximise the likelihood by
Laplace's approximation, or by adaptive Gauss–Hermite quadrature over one group (the listeners), by
itself or with small groups crossed with it (excerpts, pairs of takes) by Laplace about it.

The deviance is −2 log L of the rows as given, binomial coefficients included (0 for single votes).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panel.analysis.mixed.cells import Cells
from panel.analysis.mixed.laplace import Information
from panel.analysis.mixed.links import Sensitivity, link_named
from panel.analysis.mixed.method import Method, prepare
from panel.analysis.mixed.notes import in_english
from panel.analysis.mixed.profile import Interval, LikelihoodRatio, against_chance, profile_interval
from panel.analysis.mixed.search import Found, search
from panel.study.verdict import Remark

__all__ = [
    "Fit",
    "Interval",
    "LikelihoodRatio",
    "against_chance",
    "fit",
    "profile_interval",
]

Floats = NDArray[np.float64]

_UNHEARD = 0.3  # d′ under which a curve is level for all the votes can tell
_SENSELESS = 5.0  # standard error, in d′, that says nothing


@dataclass(frozen=True)
class Fit:
    """A fitted model and the record of how it was found.

    `beta`, `se` (p,) on the scale of η; `se` is NaN where the data do not settle an effect (the
    message says so). `sd` the standard deviation of each group on that scale, `modes` its levels'
    conditional modes (in the order of `levels`), `mode_sd` their spread given the parameters.
    `deviance` is −2 log L. `notes` are what is remarkable, and `message` the same in words;
    `converged` is False if the numbers are not to be used.
    """

    beta: Floats
    se: Floats
    covariance: Floats
    sd: dict[str, float]
    deviance: float
    converged: bool
    notes: tuple[Remark, ...]
    modes: dict[str, Floats]
    mode_sd: dict[str, Floats]
    levels: dict[str, NDArray[np.generic]]
    evaluations: int
    link: str
    sensitivity: Sensitivity
    information: Information
    nodes: int
    rows: int
    cells: int
    trials: int
    gradient: float = field(repr=False)  # largest |∂ deviance| at the end, in standard errors

    @property
    def message(self) -> str:
        return in_english(self.notes)

    def dprime(self, eta: ArrayLike) -> Floats:
        """d′ at the linear predictor `eta` for a curve; η itself for logit and probit."""
        return link_named(self.link, self.sensitivity).sensitivity(eta)

    def probability(self, eta: ArrayLike) -> Floats:
        """Chance of a right answer at `eta`."""
        return link_named(self.link, self.sensitivity).probability(eta)


def fit(
    y: ArrayLike,
    X: ArrayLike,
    groups: Mapping[str, ArrayLike],
    link: str = "probit",
    n: ArrayLike | None = None,
    information: Information | None = None,
    *,
    nodes: int | None = None,
    sensitivity: Sensitivity = "floor",
    offset: ArrayLike | None = None,
) -> Fit:
    """Fit the model.

    `y` (rows,) right answers of `n` (rows,); `X` (rows, p), one column may be given as (rows,);
    `groups` name → (rows,) codes; `link` "logit", "probit" or a name of `curves.CURVES`;
    `information` and `nodes` as in `mixed_method` (left out: Laplace with the observed information,
    and what suits an even curve if the link is one); `nodes` > 1 needs a single group, or one
    crossed with small ones;
    `sensitivity` how an even curve keeps d′ from being negative; `offset` is added to η.

    Raises BadInput for arrays that do not fit each other, an unknown link and a rank-deficient X;
    and its kind Refused, which has the reason as a fact, for a group with one level or one vote a
    level, separated data, all answers right, and all answers wrong where the link has no floor.
    """
    cells, method = prepare(
        y,
        X,
        groups,
        link=link,
        n=n,
        information=information,
        nodes=nodes,
        sensitivity=sensitivity,
        offset=offset,
    )
    with np.errstate(all="ignore"):
        return _reported(
            cells, method, search(cells, method.link, method.value, limit=method.limit)
        )


def _reported(
    cells: Cells,
    method: Method,
    found: Found,
) -> Fit:
    link = method.link
    p = found.beta.size
    free = np.concatenate([np.ones(p, dtype=bool), (found.deviations > 0.0) & ~found.at_limit])
    hessian = found.hessian[np.ix_(free, free)]
    covariance = np.full((p, p), np.nan)
    settled = found.to_gain < 1e-5 and found.value.mode.settled
    scale = np.sqrt(np.abs(np.diagonal(hessian)))
    flat = True
    if hessian.size and np.all(scale > 1e-6):
        flat = bool(np.linalg.eigvalsh(hessian / np.outer(scale, scale))[0] < 1e-7)
    if not flat:
        covariance = np.linalg.inv(hessian)[:p, :p]
    notes = []
    for factor, deviation, most in zip(
        cells.factors, found.deviations, found.at_limit, strict=True
    ):
        if deviation == 0.0:
            notes.append(Remark("no_spread", {"group": factor.name}))
        if most:
            notes.append(Remark("at_limit", {"group": factor.name, "limit": float(deviation)}))
    if not settled:
        notes.append(Remark("unsettled", {"left": float(found.to_gain)}))
    with np.errstate(invalid="ignore"):
        se = np.sqrt(np.diagonal(covariance))
    unheard = link.even and bool(
        np.any(link.sensitivity(cells.X @ found.beta + cells.offset) < _UNHEARD)
    )
    if unheard and not np.all(se < _SENSELESS):
        # Under the floor the likelihood is level: an estimate, and no standard error.
        told = se < _SENSELESS
        covariance = np.where(told[:, None] & told, covariance, np.nan)
        se = np.where(told, se, np.nan)
        notes.append(Remark("unheard"))
    elif flat:
        settled = False
        notes.append(Remark("flat"))
    spread = found.value.mode.hessian.diagonal() if cells.factors else np.empty(0, dtype=np.float64)
    pull = 0.5 * np.abs(found.value.gradient[free]) / np.maximum(scale, 1e-12)
    return Fit(
        beta=found.beta,
        se=se,
        covariance=covariance,
        sd={f.name: float(s) for f, s in zip(cells.factors, found.deviations, strict=True)},
        deviance=found.value.deviance - 2.0 * cells.constant,
        converged=settled,
        notes=tuple(notes),
        modes={
            f.name: s * found.value.mode.u[f.places]
            for f, s in zip(cells.factors, found.deviations, strict=True)
        },
        mode_sd={
            f.name: s * np.sqrt(spread[f.places])
            for f, s in zip(cells.factors, found.deviations, strict=True)
        },
        levels={f.name: f.labels for f in cells.factors},
        evaluations=found.evaluations,
        link=link.name,
        sensitivity=method.sensitivity,
        information=method.information,
        nodes=method.nodes,
        rows=cells.rows,
        cells=cells.y.size,
        trials=int(cells.n.sum()),
        gradient=float(np.max(pull, initial=0.0)),
    )
