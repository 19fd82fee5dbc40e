"""How small a p the takes allow: the number of ways to put the labels on them.

Attribution permutes condition labels over takes. With a given number of takes
on each side there are only so many labelings, and no p can be smaller than one over that.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import factorial, prod

from panel.prose import spelled


def labelings(sizes: Sequence[int], *, dose: bool = False) -> int:
    """Distinguishable labelings of the takes, `sizes[i]` of them in condition i.

    Multinomial coefficient; without a dose, conditions of equal size are interchangeable for a
    statistic that only knows "across" and "within", so it is divided by their rearrangements:
    35 for 4 + 4, 126 for 5 + 5, 3 for 2 + 2, 10 for 3 + 3. With a dose, reversing equally sized
    conditions may leave a trend statistic as it is; then up to two labelings tie.
    """
    total = factorial(sum(sizes)) // prod(factorial(size) for size in sizes)
    if dose:
        return total
    return total // prod(factorial(list(sizes).count(size)) for size in set(sizes))


def least_p(sizes: Sequence[int], *, dose: bool = False) -> float:
    """The smallest p the labels' permutation can give (a lower limit where a dose ties)."""
    return 1 / labelings(sizes, dose=dose)


def reaches(sizes: Sequence[int], alpha: float, questions: int = 1, *, dose: bool = False) -> bool:
    """Whether attribution can pass `alpha` when `questions` questions share it (Holm's first)."""
    ways = 1 if min(sizes) < 2 else labelings(sizes, dose=dose)
    return questions <= alpha * ways * (1 + 1e-12)


def takes_needed(alpha: float, questions: int = 1) -> int:
    """Takes of each of two conditions before attribution can pass at all."""
    side = 2
    while not reaches([side, side], alpha, questions):
        side += 1
    return side


def floor_sentence(
    sizes: Sequence[int], alpha: float = 0.05, questions: int = 1, *, dose: bool = False
) -> str:
    """What the number of takes forbids, and what would help; "" where nothing is forbidden."""
    if min(sizes) < 2:
        return (
            "With one take on a side the result holds for these recordings, not for what was "
            f"changed. Record {spelled(takes_needed(alpha, questions))} takes of each condition, "
            "in mixed order, to ask about the change."
        )
    if reaches(sizes, alpha, questions, dose=dose):
        return ""
    ways = labelings(sizes, dose=dose)
    shared = f" shared by {spelled(questions)} questions" if questions > 1 else ""
    return (
        f"With {' + '.join(str(size) for size in sizes)} takes the smallest p for attributing a "
        f"difference to the change is 1/{ways}, which cannot pass {alpha:g}{shared}. "
        f"Record {spelled(takes_needed(alpha, questions))} takes of each condition"
        + (", or ask one question only." if questions > 1 else ".")
    )


def given_labelings(cells: Sequence[Sequence[int]], *, directed: bool) -> int:
    """Distinguishable labelings within strata; `cells[s][c]` takes of condition c in stratum s.

    Undirected, conditions of equal size may be renamed in each stratum by itself; directed (two
    conditions), only in all strata at once.
    """
    if not directed:
        return prod(labelings(row) for row in cells)
    total = prod(labelings(row, dose=True) for row in cells)
    return total // 2 if all(row[0] == row[-1] for row in cells) else total


def given_reaches(
    cells: Sequence[Sequence[int]], alpha: float, questions: int = 1, *, directed: bool
) -> bool:
    """Whether labels permuted within strata can pass `alpha` shared by `questions`."""
    return questions <= alpha * given_labelings(cells, directed=directed) * (1 + 1e-12)


def given_sentence(
    cells: Sequence[Sequence[int]], alpha: float = 0.05, questions: int = 1, *, directed: bool
) -> str:
    """What takes crossed over another factor forbid; "" where nothing is forbidden."""
    if given_reaches(cells, alpha, questions, directed=directed):
        return ""
    shared = f" shared by {spelled(questions)} questions" if questions > 1 else ""
    taken = "; ".join(" + ".join(str(n) for n in row) for row in cells)
    each = 2
    while not given_reaches([(each, each)] * len(cells), alpha, questions, directed=directed):
        each += 1
    return (
        f"With {taken} takes, labels permuted among takes alike in what is given, the smallest p "
        f"is 1/{given_labelings(cells, directed=directed)}, which cannot pass {alpha:g}{shared}. "
        f"Record {spelled(each)} takes of each condition in each of the {spelled(len(cells))} "
        "groups."
    )
