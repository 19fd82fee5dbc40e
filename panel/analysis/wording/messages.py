"""What is said beside a number: of a size, of a curve over a dose, of listeners over questions."""

from panel.analysis.wording.models import noted, refused
from panel.prose import Language
from panel.study.verdict import Remark

WHY = {
    "chance": "The votes do not beat chance",
    "unsettled": "The model did not settle",
    "not_credible": "The model gives no credible size for these votes",
    "unlike": "Listeners or takes differ more than the votes can measure",
    "little": "So little is heard that the votes tell no spreads",
    "one_pair": "Listeners need not be spread as the model has it",
    "refused": "The model cannot be fitted ({said})",
}
SIZES = {
    "no_votes": "No votes count for this contrast.",
    "no_listener": "No size is given: no listener's votes can be used yet.",
    "one_way": "Every vote went one way, so d′ has no limit on that side and none is given.",
    "no_interval": "{why}, and the interval of the mean share has no d′: none is given.",
    "mean_share": (
        "{why}, so d′ is that of the mean share, with the interval of that share over listeners, "
        "and no spreads are given."
    ),
    "all_or_none": (
        "No size is given: none or all of a kind were called different, so d′ and the criterion "
        "are not told."
    ),
    "rates": (
        "d′ and the criterion τ = {tau} follow from the two mean rates by the differencing model; "
        "d′ is at least {low}. No spreads are given."
    ),
    "rates_no_limit": (
        "d′ and the criterion τ = {tau} follow from the two mean rates by the differencing model; "
        "d′ is at least {low}; the rates set no upper limit. No spreads are given."
    ),
    "too_few": (
        "No size is given: it takes at least {votes} votes across the conditions by {listeners} "
        "listeners."
    ),
    "several": "No single size describes more than two named conditions.",
    "swapped": "No size is given: fewer answers are right than guessing gives.",
    "unlike": (
        "Listeners differ so much that the model's centre lies between unlike people and is not "
        "the typical listener's d′. {said}"
    ),
}
CURVES = {
    "anytime": (
        "The votes may be looked at at any time, and a curve with a band belongs to a number of "
        "votes that was fixed before."
    ),
    "no_curve": "This procedure gives no curve over a dose.",
    "more_differs": (
        "More than the dose differs or may differ, so a curve over it would not be its own."
    ),
    "one_take": "With one take of a dose nothing shows how far takes of it vary.",
    "few_votes": "There are fewer than {votes} votes.",
    "few_listeners": "There are fewer than {listeners} listeners.",
    "swapped": "Fewer votes are right than guessing gives: answers may have been swapped.",
    "all_right": "Every vote was right, so the votes set no limit to the curve.",
}
ACROSS = {
    "few_shared": (
        "Whether listeners differ from question to question is not told: it takes {listeners} who "
        "answered all of them."
    ),
    "refused": "Whether listeners differ from question to question is not told: {said}.",
    "unsettled": (
        "Whether listeners differ from question to question is not told: the model did not settle."
    ),
    "cannot_tell": (
        "That listeners differ from question to question, beyond what they carry from one to the "
        "next, cannot be told from these votes (p = {p})."
    ),
    "differ": (
        "Listeners differ from question to question, beyond what they carry from one to the next "
        "(p = {p}): who hears one need not hear the other."
    ),
}


def of_size(say: Language, remark: Remark | None) -> str | None:
    """About a size; None where there is nothing to say."""
    if remark is None:
        return None
    if remark.code == "model":
        return noted(say, remark.parts)
    told = dict(remark.values)
    if "why" in told:
        told["why"] = _why(say, remark)
    elif remark.code == "unlike":
        told["said"] = noted(say, remark.parts)
    for key in ("tau", "low"):
        if key in told:
            told[key] = f"{remark.number(key):.2f}"
    return say(SIZES[remark.code], **told).strip()


def of_curve(say: Language, remark: Remark | None) -> str | None:
    """Why no curve is given; None where one is."""
    if remark is None:
        return None
    if remark.code == "refused":
        return " ".join(text for text in refused(say, remark.parts[0]) if text)
    return say(CURVES[remark.code], **remark.values)


def of_listeners(say: Language, remark: Remark) -> str:
    """Whether who hears one question hears the others."""
    told = dict(remark.values)
    if remark.code == "refused":
        told["said"] = _reason(say, remark)
    if "p" in told:
        told["p"] = f"{remark.number('p'):.2g}"
    return say(ACROSS[remark.code], **told)


def _why(say: Language, remark: Remark) -> str:
    """Why there is no model's size."""
    text = WHY[remark.text("why")]
    return say(text, said=_reason(say, remark)) if remark.parts else say(text)


def _reason(say: Language, remark: Remark) -> str:
    """Why the model refused, to stand inside a sentence."""
    return refused(say, remark.parts[0])[0].rstrip(".")
