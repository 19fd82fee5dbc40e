"""What a rule of planted checks lets through: guessers, and listeners who hear the check.

A rule without these two figures says nothing: 3 of 4 right lets 31 % of guessers pass. A check is
made for a d′ of 4 or more. There, by ABX, 7 of 8 lets 3.5 % of guessers pass, and of those who hear
it 98 % if X is held against either of the two by itself, 94 % if only differences are compared: so
the figure is to be worked out by the procedure's own curve.
"""

from dataclasses import dataclass

from panel.analysis.counts import exact
from panel.errors import BadInput

MADE_FOR = 4.0  # the d′ that a planted check should have at least
GUESSING_AT_MOST, HEARING_AT_LEAST = 0.05, 0.95


@dataclass(frozen=True)
class CheckRule:
    """At least `least` of `of` checks right. `guessing`, `hearing`: the probability of passing for
    who guesses, and for who hears the check."""

    least: int
    of: int
    guessing: float
    hearing: float

    @property
    def parts_them(self) -> bool:
        """Whether few guessers pass, and nearly all who hear it."""
        return self.guessing <= GUESSING_AT_MOST and self.hearing >= HEARING_AT_LEAST


def check_rule(least: int, of: int, chance: float, heard: float) -> CheckRule:
    """Figures of the rule "at least `least` of `of`"; `chance`, `heard`: probability of a right
    answer by guessing, and at the check's d′. Exact binomial. Raises BadInput for a rule that
    nobody or everybody passes."""
    if not 1 <= least <= of:
        raise BadInput(
            f"{least} of {of} checks right is no rule.",
            hint="Ask for at least one, and for no more than each listener is given.",
        )
    return CheckRule(
        least, of, exact.p_greater(least, of, chance), exact.p_greater(least, of, heard)
    )


def rules_that_part(of: int, chance: float, heard: float) -> tuple[CheckRule, ...]:
    """The rules with `of` checks that few guessers pass and nearly all who hear it, the mildest
    first; empty where more checks, or louder ones, are needed."""
    each = (check_rule(least, of, chance, heard) for least in range(1, of + 1))
    return tuple(rule for rule in each if rule.parts_them)
