"""How small a p the takes allow: the number of ways to put the labels on them.

Attribution permutes condition labels over takes. With a given number of takes
on each side there are only so many labelings, and no p can be smaller than one over that.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import factorial, prod


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
            f"changed. Record {number(takes_needed(alpha, questions))} takes of each condition, "
            "in mixed order, to ask about the change."
        )
    if reaches(sizes, alpha, questions, dose=dose):
        return ""
    ways = labelings(sizes, dose=dose)
    shared = f" shared by {number(questions)} questions" if questions > 1 else ""
    return (
        f"With {' + '.join(str(size) for size in sizes)} takes the smallest p for attributing a "
        f"difference to the change is 1/{ways}, which cannot pass {alpha:g}{shared}. "
        f"Record {number(takes_needed(alpha, questions))} takes of each condition"
        + (", or name one main question." if questions > 1 else ".")
    )


def number(n: int) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return words[n] if 0 <= n < len(words) else str(n)
