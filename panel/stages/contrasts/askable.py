"""May a question be asked as it stands? Each check raises BadInput with what to do instead."""

from collections.abc import Sequence

from panel.design.contrast_check import MOST_ORDERED
from panel.design.guard.result import GuardResult
from panel.errors import BadInput
from panel.procedures.base import Procedure
from panel.stages.contrasts.guard import known_factor
from panel.study.conditions import Condition
from panel.study.factors import Factor


def check_given(factors: Sequence[Factor], given: Sequence[str], asked: str | None) -> None:
    """What is asked about is not held alike as well. Raises NotFound for an unknown factor."""
    for other in given:
        if known_factor(factors, other).id == asked:
            raise BadInput(
                "What is asked about cannot be given as well.", hint="Tick another factor, or none."
            )


def check_borne(result: GuardResult, kind: Procedure, scale: str | None) -> None:
    """The takes bear the question, by what the guard says of them."""
    if result.given and not result.allowed:
        raise BadInput(result.sentence)
    if result.given and (not kind.round_robin or scale):
        raise BadInput(
            "A reminder and a trend cannot be asked given another factor.",
            hint="Ask about two values, by ABX, a preference or a named attribute.",
        )
    if result.role == "retake_control":
        raise BadInput(
            result.sentence,
            hint="Log what was changed, or make it a retake control instead of a question.",
        )
    if not result.allowed:
        raise BadInput(
            result.sentence,
            hint="Leave out the takes that differ in more, or write down why you ask all the "
            "same; the verdict will repeat it.",
        )


def check_same_factor(factors: Sequence[Factor], asked: str | None, differs: str | None) -> None:
    """The takes differ in what is asked about."""
    if asked is not None and differs is not None and asked != differs:
        raise BadInput(
            f"The question is about {known_factor(factors, asked).name}, but these takes "
            f"differ in {known_factor(factors, differs).name}.",
            hint="Choose takes that differ in what you ask about.",
        )


def check_reminders(kind: Procedure, conditions: Sequence[Condition]) -> None:
    """There is a take beside each that can be its reminder, where the procedure has reminders."""
    if kind.round_robin:
        return
    if len(conditions) != 2 or min(len(c.takes) for c in conditions) < 2:
        raise BadInput(
            "With a reminder two conditions are asked about, and each needs two takes at "
            "least: the reminder is another take than the fresh one.",
            hint="Record more takes, choose two conditions, or ask by ABX.",
        )


def scale_asked(scale: str | None, factor: Factor | None, conditions: int) -> str | None:
    """The scale of a trend: as asked, or linear over many numbers; None where none is asked."""
    numeric = factor is not None and factor.kind == "numeric"
    if scale is not None and not numeric:
        raise BadInput(
            "A trend needs a factor that is a number, such as hours in use.",
            hint="Leave the scale empty, or ask about a numeric factor.",
        )
    if scale not in (None, "linear", "log1p"):
        raise BadInput("The scale of a trend is linear or log1p.")
    return "linear" if scale is None and numeric and conditions > 2 else scale


def check_how_many(kind: Procedure, conditions: int, scale: str | None) -> None:
    """So many conditions can be compared at once."""
    if scale is not None:
        return
    if conditions > 2 and not kind.directed:
        raise BadInput(
            "More than two conditions can be asked about along a numeric factor, by "
            "preference, or by a named attribute.",
            hint="Choose two of them; ask about the others in a question of their own.",
        )
    if conditions > MOST_ORDERED:
        raise BadInput(
            f"More than {MOST_ORDERED} conditions cannot be put in order.",
            hint="Choose fewer of them.",
        )
