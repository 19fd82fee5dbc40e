"""What the study cannot say, in words."""

from panel.prose import Language
from panel.study.plan import Plan
from panel.study.verdict import Remark

SENTENCES = {
    "equipment": (
        "Listeners used their own equipment, in their own rooms. The level they listened at, their "
        "headphones and any effect of their devices are not known."
    ),
    "such_listeners": (
        "“Such listeners” means people like those who took part; who takes part was not drawn at "
        "random."
    ),
    "as_if_always": (
        "A share who hear counts as if so many always heard and the rest only guessed; of people "
        "who hear now and then there can be more, even all."
    ),
    "recordings": "What was heard is recordings of the equipment, not the equipment in a room.",
    "level_matched": ("Samples were matched in loudness, so a change of level alone is hidden."),
    "level_as_recorded": (
        "Samples were left at their recorded level, so level may be what was heard."
    ),
    "playback_unknown": (
        "What listeners listened with is not recorded, and no headphone check is: they may have "
        "used anything."
    ),
    "playback": (
        "{declared} of {listeners} listeners declared headphones or earphones; {passed} passed the "
        "headphone check, which is evidence and no proof."
    ),
    "few_takes": "Few takes of a condition say little about how far takes of it vary.",
    "check_shows": (
        "The planted check shows that listeners could hear and took care, not that they would hear "
        "a smaller difference than that one."
    ),
    "no_check": (
        "No planted check was put, so the votes cannot show that anybody was able to hear a "
        "difference: “not heard” cannot be said."
    ),
    "loudness_left": (
        "A question with a direction picks up the smallest difference in loudness left over; the "
        "measured remainder stands in the report."
    ),
    "which_plan": (
        "Whether this is the plan that was fixed before the first vote, only its SHA-256 tells: "
        "compare it with the one that was published."
    ),
}


def limit(say: Language, plan: Plan, remark: Remark) -> str:
    """One limit of the verdict in a sentence."""
    if remark.code == "few_excerpts":
        return say.count(
            len(plan.excerpts),
            "One excerpt was planned: what holds for so few need not hold for all music.",
            "{n} excerpts were planned: what holds for so few need not hold for all music.",
        )
    return say(SENTENCES[remark.code], **remark.values)
