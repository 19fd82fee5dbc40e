"""What makes a mixed model unanswerable, said before any number is computed."""

from __future__ import annotations

import numpy as np

from panel.analysis.mixed.arrow import gram
from panel.analysis.mixed.cells import Cells
from panel.analysis.mixed.links import Link
from panel.analysis.refusals import Refused
from panel.errors import BadInput


def check_design(cells: Cells) -> None:
    """Raise BadInput if a column of X follows from the others, or there are too many."""
    p = cells.X.shape[1]
    if p == 0:
        raise BadInput("X has no column.", hint="Give at least a column of ones.")
    scale = np.sqrt(np.sum(cells.X**2, axis=0))
    if np.any(scale == 0.0):
        raise BadInput(
            f"Column {int(np.argmin(scale))} of X is 0 in all rows.", hint="Leave it out."
        )
    unit = cells.X / scale
    values = np.linalg.svd(gram(unit, unit), compute_uv=False)
    if values[-1] < 1e-10 * values[0]:
        raise BadInput(
            "The columns of X depend on each other: one follows from the rest.",
            hint="Leave one of them out; a contrast without votes has no effect to estimate.",
        )


def check_groups(cells: Cells) -> None:
    """Raise Refused for a group whose spread cannot be told."""
    for factor in cells.factors:
        if factor.levels < 2:
            raise Refused("one_level", group=factor.name)
        votes = np.bincount(factor.column, cells.n, cells.columns)[factor.places]
        if votes.max() < 2.0:
            raise Refused("one_vote_each", group=factor.name)


def check_answers(cells: Cells, link: Link) -> None:
    """Raise Refused where the answers put some effect at infinity."""
    right, votes = cells.y.sum(), cells.n.sum()
    if right == votes:
        raise Refused("all_right", votes=round(votes))
    if right == 0 and not link.even:
        raise Refused("all_wrong", votes=round(votes))
    if _separated(cells, link):
        raise Refused("separated")


def _separated(cells: Cells, link: Link) -> bool:
    """Whether some direction of β raises the likelihood for ever (Albert & Anderson 1984).

    With an even curve only right answers can do so: under the floor there is nothing to gain.
    """
    p = cells.X.shape[1]
    if p == 1 and not np.any(np.ptp(cells.X, axis=0)):
        return False  # told by the totals
    _, kinds = np.unique(cells.X, axis=0, return_inverse=True)
    kinds = kinds.reshape(-1)
    right, votes = np.bincount(kinds, cells.y), np.bincount(kinds, cells.n)
    rows = np.empty((votes.size, p))
    rows[kinds] = cells.X
    ever_right = right == votes
    never_right = right == 0
    if not np.any(ever_right) and (link.even or not np.any(never_right)):
        return False
    from scipy.optimize import linprog

    # Maximise Σ ± X b over −1 ≤ b ≤ 1 with X b of the right sign on pure rows and 0 on mixed ones.
    mixed = ~(ever_right | never_right)
    gain = rows[ever_right].sum(axis=0)
    if not link.even:
        gain = gain - rows[never_right].sum(axis=0)
    size = float(np.max(np.abs(rows)))
    answer = linprog(
        -gain / size,
        A_ub=np.vstack([-rows[ever_right], rows[never_right]]) / size,
        b_ub=np.zeros(int(ever_right.sum() + never_right.sum())),
        A_eq=rows[mixed] / size if np.any(mixed) else None,
        b_eq=np.zeros(int(mixed.sum())) if np.any(mixed) else None,
        bounds=(-1.0, 1.0),
        method="highs",
    )
    return bool(answer.status == 0 and answer.fun is not None and answer.fun < -1e-7)
