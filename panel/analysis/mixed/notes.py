"""What is remarkable about a fitted model: as facts, and in English for a caller from Python."""

from collections.abc import Sequence

from panel.marked import T_
from panel.study.verdict import Remark

TEXTS = T_(
    {
        "no_spread": "The spread of {group} is estimated as zero.",
        "at_limit": (
            "The spread of {group} stands at its limit of {limit}: at most a few stand out from "
            "the rest, and the votes do not tell by how much."
        ),
        "unsettled": "The search did not settle: {left} of deviance may be left to gain.",
        "unheard": "Nothing is heard beyond chance, so there is no standard error.",
        "flat": "The likelihood is flat: the votes do not settle these effects.",
    }
)
SETTLED = T_("The search converged.")


def shown(note: Remark) -> dict[str, str]:
    """What is put into a note's text, as it is read."""
    digits = {"limit": 3, "left": 2}
    return {
        key: f"{value:.{digits[key]}g}" if key in digits else str(value)
        for key, value in note.values.items()
    }


def in_english(notes: Sequence[Remark]) -> str:
    said = [TEXTS[note.code].format(**shown(note)) for note in notes]
    return " ".join(said) or SETTLED
