"""Votes that a model cannot be fitted to, as facts: a code, and what is put into its sentence.

The texts are what somebody reads who calls the model from Python; verdict and report say them in
their language (panel.analysis.wording.models).
"""

from panel.errors import BadInput
from panel.marked import T_
from panel.study.verdict import Put, Remark

# By code: what is the matter, and what to do.
TEXTS = T_(
    {
        "one_level": (
            "There is only one {group}, so a spread between them cannot be told.",
            "Leave {group} out of the groups, and claim nothing about others.",
        ),
        "one_vote_each": (
            "Each {group} has one vote, so their spread cannot be told from chance.",
            "Leave {group} out of the groups.",
        ),
        "levels_together": (
            "The groups have too many levels together to be told apart.",
            "",
        ),
        "levels_crossed": (
            "The groups {groups} cross with {units} and {border} levels: too many.",
            "Only one group may have very many levels, unless another is nested in it.",
        ),
        "all_right": (
            "All {votes} answers are right, so the sensitivity has no upper end.",
            "Report the exact count, or make the task harder.",
        ),
        "all_wrong": (
            "All {votes} answers are wrong, so the effect has no lower end.",
            "Report the exact count, and look for a fault in the key.",
        ),
        "separated": (
            "Some fixed effect predicts all answers of some rows (separated data): it has no end.",
            "Join the conditions that are all right or all wrong with others, or report their "
            "counts.",
        ),
        "too_few_takes": (
            "There are too few takes for a curve over dose.",
            "It takes {takes} takes at two doses or more.",
        ),
        "one_listener": ("One listener gives no band.", "Wait for another."),
        "all_alike": (
            "No band can be given for the curve over dose: takes and listeners are all alike.",
            "Wait for more votes.",
        ),
        "no_limit": (
            "The votes set no limit to how steep the curve over dose is: nearly all are right.",
            "Compare doses that are nearer to each other.",
        ),
        "single_takes": (
            "No band can be given for the curve over dose: it hangs on single takes.",
            "Record more takes of each dose.",
        ),
        "no_worths": (
            "Some items only ever win or only ever lose against the rest, so no worths exist.",
            "Give the counts instead, or gather votes on more pairs.",
        ),
        "all_ties": ("All votes are ties, so no worths exist.", "Give the counts instead."),
        "position": (
            "These votes are too few to tell worths from the effect of position.",
            "Give the counts instead, or gather votes on more pairs.",
        ),
        "worths_unsettled": ("The worths did not settle.", "Give the counts instead."),
    }
)


class Refused(BadInput):
    """The votes do not bear the model. `remark` is why, as a fact."""

    def __init__(self, code: str, **values: Put) -> None:
        message, hint = TEXTS[code]
        super().__init__(message.format(**values), hint=hint.format(**values))
        self.remark = Remark(code, values)


def as_refused(refused: BadInput) -> Refused:
    """What was refused without a code, known by its sentence. Raises it again if that is new."""
    for code, (message, _) in TEXTS.items():
        if message == refused.message:
            return Refused(code)
    raise refused
