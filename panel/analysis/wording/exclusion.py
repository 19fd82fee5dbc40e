"""The plan's rule of exclusion, in words."""

from panel.prose import Language
from panel.study.plan import Plan


def rule_in_words(say: Language, plan: Plan) -> str:
    parts = []
    if plan.planted_least_right is not None:
        parts.append(
            say(
                "Only listeners with at least {least} planted checks right count.",
                least=plan.planted_least_right,
            )
        )
    if plan.exclude_by_headphones:
        parts.append(say("Only listeners who passed the headphone check count."))
    return " ".join(parts) or say("Nobody is excluded.")
