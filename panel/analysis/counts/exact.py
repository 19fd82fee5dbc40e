"""Exact binomial tests and limits: the chance that guessing alone does this well.

With keys drawn independently and uniformly, the number right is binomial whatever listeners do
(ISO 4120 for the triangle, ISO 10399 for duo-trio, ISO 5495 for the paired comparison use the
same law). All functions take plain counts; `chance` is the probability right by guessing.
"""

import math

from scipy.special import betainc, betaincinv


def _check(right: int, n: int) -> None:
    if n < 0 or not 0 <= right <= n:
        raise ValueError(f"{right} of {n} is no possible count")


def p_greater(right: int, n: int, chance: float) -> float:
    """P(X >= right) for X ~ Binomial(n, chance)."""
    _check(right, n)
    return 1.0 if right == 0 else float(betainc(right, n - right + 1, chance))


def p_less(right: int, n: int, chance: float) -> float:
    """P(X <= right) for X ~ Binomial(n, chance)."""
    _check(right, n)
    return 1.0 if right == n else float(betainc(n - right, right + 1, 1 - chance))


def p_two_sided(right: int, n: int, chance: float = 0.5) -> float:
    """Twice the smaller tail, at most 1; at chance 1/2 this is the sign test."""
    return min(1.0, 2 * min(p_greater(right, n, chance), p_less(right, n, chance)))


def critical(n: int, chance: float, alpha: float) -> int | None:
    """Least number right that rejects guessing one-sided at `alpha`; None if none does."""
    low, high = 0, n + 1  # p_greater falls with right: bisect
    while low < high:
        middle = (low + high) // 2
        if p_greater(middle, n, chance) <= alpha:
            high = middle
        else:
            low = middle + 1
    return low if low <= n else None


def critical_two_sided(n: int, alpha: float) -> int | None:
    """Least majority out of n that rejects a fair coin two-sided at `alpha`; None if none does."""
    return critical(n, 0.5, alpha / 2)


def interval(right: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Clopper–Pearson interval for a probability, equal tails (Biometrika 26, 1934, 404–413)."""
    if n == 0:
        return 0.0, 1.0
    tail = (1 - confidence) / 2
    return lower(right, n, 1 - tail), upper(right, n, 1 - tail)


def lower(right: int, n: int, confidence: float = 0.95) -> float:
    """One-sided Clopper–Pearson lower limit."""
    _check(right, n)
    return 0.0 if right == 0 else float(betaincinv(right, n - right + 1, 1 - confidence))


def upper(right: int, n: int, confidence: float = 0.95) -> float:
    """One-sided Clopper–Pearson upper limit."""
    _check(right, n)
    return 1.0 if right == n else float(betaincinv(right + 1, n - right, confidence))


def share(probability: float, chance: float) -> float:
    """Discriminating share p_d = (p_c − g) / (1 − g), not below 0 (ISO 4120, annex A)."""
    return max(0.0, (probability - chance) / (1 - chance))


def share_upper(right: int, n: int, chance: float, confidence: float = 0.95) -> float:
    """Upper limit on the share who can hear, **one vote a listener**.

    With several votes a listener it does not cover: use panel.analysis.counts.shares.
    """
    return share(upper(right, n, confidence), chance)


def p_value_of_limit(right: int, n: int, chance: float, limit: float) -> float:
    """P(X <= right) if a share `limit` could hear: small values speak against so large a share."""
    return p_less(right, n, chance + (1 - chance) * limit)


def largest_below_limit(n: int, chance: float, limit: float, beta: float = 0.05) -> int | None:
    """Largest number right that still shows the share to be under `limit`; None if none does."""
    best = None
    for right in range(n + 1):
        if p_value_of_limit(right, n, chance, limit) > beta:
            break
        best = right
    return best


def power(n: int, chance: float, probability: float, alpha: float) -> float:
    """Exact power of the one-sided test of n votes when each is right with `probability`."""
    least = critical(n, chance, alpha)
    return 0.0 if least is None else p_greater(least, n, probability)


def power_two_sided(n: int, probability: float, alpha: float) -> float:
    """Exact power of the sign test of n votes, either direction counted."""
    least = critical_two_sided(n, alpha)
    if least is None:
        return 0.0
    return p_greater(least, n, probability) + p_less(n - least, n, probability)


def least_n(
    chance: float,
    probability: float,
    alpha: float,
    wanted: float = 0.8,
    *,
    two_sided: bool = False,
    most: int = 100_000,
) -> int | None:
    """First n whose exact power reaches `wanted`; None when no n up to `most` does.

    Exact power is a saw-tooth: a slightly larger n can have a little less.
    """
    if probability <= chance:
        return None

    def reached(n: int) -> bool:
        got = (
            power_two_sided(n, probability, alpha)
            if two_sided
            else power(n, chance, probability, alpha)
        )
        return got >= wanted

    # A normal approximation says where to look; from well below it, step to the first that does.
    spread = math.sqrt(max(chance * (1 - chance), probability * (1 - probability)))
    guess = int((1.2 * spread / (probability - chance)) ** 2)
    n = max(1, guess // 2)
    while n > 1 and reached(n):
        n //= 2
    while n <= most:
        if reached(n):
            return n
        n += 1 if n < 5000 else n // 200
    return None
