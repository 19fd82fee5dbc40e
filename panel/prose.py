"""One way each to say a list, a share, a bound, a chance, a count and a number with its unit.

A number and its unit are joined by a no-break space. What holds words takes the language to say
them in, English unless told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

NBSP = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
EN_DASH = "\N{EN DASH}"
NOTHING = "not given"
NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
LEAST_P = 0.001  # a smaller one is not told apart from it


@dataclass(frozen=True)
class Language:
    """Says texts in a language: `translate` a text, `numbered` its singular or plural for a number;
    gettext's two functions for a catalogue. Texts have their places in braces. `code`: which one,
    as in HTML's `lang`."""

    translate: Callable[[str], str]
    numbered: Callable[[str, str, int], str]
    code: str = "en"

    def __call__(self, text: str, **put: str | float | None) -> str:
        """The text in this language, its places filled."""
        return self.translate(text).format(**put)

    def count(self, n: int, one: str, many: str, **put: str | float | None) -> str:
        """The same by number: "{n} vote" or "{n} votes"."""
        return self.numbered(one, many, n).format(n=f"{n:,}", **put)


ENGLISH = Language(lambda text: text, lambda one, many, n: one if n == 1 else many)


def decimal(
    value: float | None, digits: int = 2, *, sign: bool = False, say: Language = ENGLISH
) -> str:
    """A number with a fixed number of decimals and a proper minus; never "−0.0"."""
    if value is None or not math.isfinite(value):
        return say(NOTHING)
    text = f"{abs(value):,.{digits}f}"
    if not any(digit in text for digit in "123456789"):
        return text
    if value < 0:
        return MINUS + text
    return f"+{text}" if sign else text


def percent(share: float | None, digits: int = 0, say: Language = ENGLISH) -> str:
    """A share as percent: 0.733 is "73 %". A share that is not quite 0 or 1 never reads as that."""
    if share is None or not math.isfinite(share):
        return say(NOTHING)
    least = 0.5 * 10.0**-digits
    if 0 < share * 100 < least:
        return say("under {share}", share=f"{decimal(10.0**-digits, digits)}{NBSP}%")
    if 0 < (1 - share) * 100 < least:
        return say("over {share}", share=f"{decimal(100 - 10.0**-digits, digits)}{NBSP}%")
    return f"{decimal(100 * share, digits)}{NBSP}%"


def percent_up(share: float | None, digits: int = 0, say: Language = ENGLISH) -> str:
    """An upper bound as percent, rounded up: "at most" must stay true."""
    return _bound(share, digits, math.ceil, say)


def percent_down(share: float | None, digits: int = 0, say: Language = ENGLISH) -> str:
    """A lower bound as percent, rounded down: "at least" must stay true."""
    return _bound(share, digits, math.floor, say)


def percent_range(
    interval: Sequence[float] | None, digits: int = 0, say: Language = ENGLISH
) -> str:
    """ "60–75 %" for (0.601, 0.745)."""
    if interval is None:
        return say(NOTHING)
    low, high = interval
    return f"{decimal(100 * low, digits)}{EN_DASH}{decimal(100 * high, digits)}{NBSP}%"


def number_range(
    interval: Sequence[float | None] | None, digits: int = 2, say: Language = ENGLISH
) -> str:
    """ "1.28–1.90", or "−0.72 to 1.02" where a minus would be mistaken for the dash."""
    if interval is None:
        return say(NOTHING)
    low, high = (decimal(value, digits, say=say) for value in interval)
    if MINUS in low + high:
        return say("{low} to {high}", low=low, high=high)
    return f"{low}{EN_DASH}{high}"


def decibels(value: float | None, digits: int = 1, say: Language = ENGLISH) -> str:
    """ "+1.2 dB", "−0.3 dB", "0.0 dB"."""
    if value is None or not math.isfinite(value):
        return say(NOTHING)
    return f"{decimal(value, digits, sign=True)}{NBSP}dB"


def hertz(value: float) -> str:
    """ "125 Hz", "3.15 kHz"."""
    if value < 1000:
        return f"{value:g}{NBSP}Hz"
    return f"{value / 1000:g}{NBSP}kHz"


def count(value: int | None, say: Language = ENGLISH) -> str:
    """ "1,920"."""
    return say(NOTHING) if value is None else f"{value:,}"


def p_value(p: float | None, say: Language = ENGLISH) -> str:
    """A p to two decimals, three below 0.1; "under 0.001" below that."""
    if p is None or not math.isfinite(p):
        return say(NOTHING)
    return say("under {share}", share=f"{LEAST_P:g}") if p < LEAST_P else _p_digits(p)


def p_equals(p: float) -> str:
    """The same inside a sentence: "p = 0.012", "p < 0.001"."""
    return f"p < {LEAST_P:g}" if p < LEAST_P else f"p = {_p_digits(p)}"


def chance_of(p: float | None, say: Language = ENGLISH) -> str:
    """A probability in words: "about 1 in 126", "less than 1 in 1,000", "more than 1 in 2"."""
    if p is None or not math.isfinite(p):
        return say(NOTHING)
    if p < LEAST_P:
        return say("less than 1 in {times}", times=f"{1 / LEAST_P:,.0f}")
    if p > 0.5:
        return say("more than 1 in 2")
    return say("about 1 in {times}", times=round(1 / p))


def evidence(value: float | None, say: Language = ENGLISH) -> str:
    """How many times likelier than guessing: "980 million", "0.19"; large ones to two digits."""
    if value is None or not math.isfinite(value):
        return say(NOTHING)
    if value >= 1e12:
        return say("over a million million")
    if value >= 1e9:
        return say("{number} billion", number=_two_digits(value / 1e9))
    if value >= 1e6:
        return say("{number} million", number=_two_digits(value / 1e6))
    return _two_digits(value)


def cell(value: float | None, digits: int, *, sign: bool = False) -> str:
    """A decimal for a cell of a table, with a dash where nothing was measured."""
    return EN_DASH if value is None else decimal(value, digits, sign=sign)


def sample_rate(hz: int) -> str:
    """ "48,000 Hz": all its digits, unlike other frequencies."""
    return f"{hz:,} Hz"


def plural(n: int, one: str, many: str | None = None) -> str:
    """ "1 vote", "2,300 votes"."""
    return f"{n:,} {agreeing(n, one, many or one + 's')}"


def agreeing(n: int, one: str, many: str) -> str:
    """The word that goes with a count, where the count itself stands elsewhere."""
    return one if n == 1 else many


def spelled(n: int) -> str:
    """ "no", "one" to "ten", "11"."""
    return NUMBERS[n] if 0 <= n < len(NUMBERS) else str(n)


def about(expected: float) -> str:
    """What guessing or a coin gives on average; halves, and small numbers, to one digit."""
    whole = math.floor(expected + 0.5)
    if abs(expected - whole) < 1e-9 or (expected >= 10 and abs(abs(expected - whole) - 0.5) > 1e-9):
        return str(whole)
    return f"{expected:.1f}"


def listed(parts: Iterable[str], say: Language = ENGLISH) -> str:
    """ "a", "a and b", "a, b and c"; "" for none."""
    parts = tuple(parts)
    if len(parts) < 2:
        return "".join(parts)
    return say("{first} and {last}", first=", ".join(parts[:-1]), last=parts[-1])


def either(parts: Iterable[str]) -> str:
    """ "a", "a or b", "a, b or c"; "" for none."""
    parts = tuple(parts)
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} or {parts[-1]}"


def quoted(names: Iterable[str], say: Language = ENGLISH) -> str:
    """The same with each in quotation marks: "“a” and “b”"."""
    return listed((f"“{name}”" for name in names), say)


def capital(text: str) -> str:
    """The text with a capital at its beginning, the rest as it is."""
    return text[:1].upper() + text[1:]


def small(text: str) -> str:
    """The text with a small letter at its beginning, but for an abbreviation's."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def _p_digits(p: float) -> str:
    return f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def _bound(share: float | None, digits: int, to: Callable[[float], int], say: Language) -> str:
    if share is None or not math.isfinite(share):
        return say(NOTHING)
    steps = to(round(share * 100 * 10**digits, 6))
    return f"{decimal(steps / 10**digits, digits)}{NBSP}%"


def _two_digits(value: float) -> str:
    if value >= 10:
        step = 10 ** (math.floor(math.log10(value)) - 1)
        return f"{round(value / step) * step:,}"
    return f"{value:.1f}" if value >= 1 else f"{value:.2g}"
