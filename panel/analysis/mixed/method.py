"""How a mixed model's likelihood is computed, chosen by the link unless the caller chooses.

For logit, probit and the directed curves Laplace's approximation with the observed information is
the default: it is nearer the exact integral than the one with the expected information.

An even curve is flat under its floor, where the observed information is nil or negative and
Laplace's approximation with it can be arbitrarily wrong (simulated with 40 listeners of whom one
in ten hears: 13 units of deviance from the exact integral). So the default there is quadrature with
25 nodes over the listeners, with further groups crossed with them (excerpts, pairs of takes) by
Laplace about it; where the groups do not cross so, or are too many, Laplace with the expected
information over all. Also, votes at
chance can be explained by a listener in a thousand who hears everything: the likelihood then rises
towards ever larger spreads, so a spread is held to 3 d′ at most, and the fit says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from panel.analysis.mixed import laplace, nested, quadrature
from panel.analysis.mixed.cells import Cells, fold
from panel.analysis.mixed.diagnosis import check_answers, check_design, check_groups
from panel.analysis.mixed.laplace import Information, Mode, Value
from panel.analysis.mixed.links import Link, Sensitivity, link_named
from panel.errors import BadInput

Floats = NDArray[np.float64]

EVEN_NODES = 25
EVEN_LIMIT = 3.0
MOST_NODES = 1_500_000  # cells times nodes up to which crossed groups are integrated so


@dataclass(frozen=True)
class Method:
    """The objective of one fit. `limit` is the largest spread allowed."""

    cells: Cells
    link: Link
    sensitivity: Sensitivity
    information: Information
    nodes: int
    limit: float

    def value(self, beta: Floats, deviations: Floats, last: Mode | None) -> Value:
        """−2 log L without the constant, and its gradient."""
        if self.nodes == 1:
            return laplace.evaluate(self.cells, self.link, beta, deviations, self.information, last)
        single = len(self.cells.factors) == 1
        evaluate = quadrature.evaluate if single else nested.evaluate
        return evaluate(self.cells, self.link, beta, deviations, self.information, self.nodes, last)


def prepare(
    y: ArrayLike,
    X: ArrayLike,
    groups: Mapping[str, ArrayLike],
    *,
    link: str,
    n: ArrayLike | None,
    information: Information | None,
    nodes: int | None,
    sensitivity: Sensitivity,
    offset: ArrayLike | None,
) -> tuple[Cells, Method]:
    """Checked and folded votes, and the method for them. Raises BadInput as `mixed.fit` says."""
    chosen = link_named(link, sensitivity)
    if information is None:
        information = "expected" if chosen.even else "observed"
    if information not in get_args(Information):
        raise BadInput(
            f"There is no information {information!r}.", hint="Choose observed or expected."
        )
    if nodes is not None and (
        isinstance(nodes, bool) or not isinstance(nodes, (int, np.integer)) or not 1 <= nodes <= 101
    ):
        raise BadInput("The number of quadrature nodes must be a whole number from 1 to 101.")
    with np.errstate(all="ignore"):
        cells = fold(y, X, groups, n, offset)
        check_design(cells)
        check_groups(cells)
        check_answers(cells, chosen)
    single = len(groups) == 1
    if nodes is None:
        small = cells.y.size * EVEN_NODES <= MOST_NODES
        integrated = single or (small and nested.suits(cells))
        nodes = EVEN_NODES if chosen.even and integrated else 1
    elif nodes > 1 and not (single or nested.suits(cells)):
        raise BadInput(
            f"Quadrature works with one group, or one crossed with groups of at most "
            f"{nested.MOST_BORDER} levels together, and not with {len(groups)} like these.",
            hint="Use nodes=1, Laplace's approximation.",
        )
    limit = EVEN_LIMIT if chosen.even else np.inf
    return cells, Method(cells, chosen, sensitivity, information, int(nodes), limit)
