"""The whole decision table: from what was found to the one code that may be claimed.

Nothing here computes; panel.analysis.verdict fills in the findings, and this file alone says what
follows from them. Read each function from the top: the first line that fits, decides.
"""

from collections.abc import Collection
from dataclasses import dataclass

from panel.study.sampling import NOT_SAMPLED

# Why nothing can be claimed about the change, however the votes fall.
BARRIERS = (
    "one_take",  # one recording of a condition
    "override",  # the organiser let more than one change through, with a reason
    "several_changes",  # the log has more than one difference
    "unlogged",  # a factor is not logged on a side
    *NOT_SAMPLED,  # specimens or the order of recording do not carry it
    "no_retake_votes",  # no votes on pairs within a condition
    "too_few_takes",  # the least p these takes can give is above alpha
    "answers_removed",  # listeners withdrew with their votes while outcomes could be seen
    "too_many_questions",  # it is under alpha, but not after Holm over the questions
)


@dataclass(frozen=True)
class Findings:
    """What was found about one contrast; all error rates are the plan's alpha or confidence.

    `votes`: there are any. `beats_chance`: rejected guessing (after Holm, for questions).
    `barrier`: one of BARRIERS, or None. `ready`: attribution may be looked at (in an anytime plan
    only when the planned votes are in). `attributed`: chance and attribution both hold after Holm.
    `bounded`: the upper bound on the share who hear is under the plan's limit. `check_heard`: a
    planted check was heard. `planned_in`: the planned votes are in. `divided`: listeners disagree
    beyond chance and beyond takes. `level`: the mean preference lies within the band around 1/2.
    """

    votes: bool = True
    beats_chance: bool = False
    barrier: str | None = None
    ready: bool = True
    attributed: bool = False
    bounded: bool = False
    check_heard: bool = False
    planned_in: bool = True
    divided: bool = False
    level: bool = False


def question(found: Findings, earns: Collection[str]) -> str:
    """A question put by a procedure that can earn these codes."""
    if "preferred" in earns:
        return preference(found)
    return forced_choice(found, absence="not_heard" in earns)


def forced_choice(found: Findings, *, absence: bool) -> str:
    """Questions whose claim is “heard”. `absence`: whoever hears must answer right by it; else
    people may hear and disagree in direction, or go by a criterion of their own."""
    if not found.votes:
        return "not_enough"
    if found.beats_chance:
        return _beyond_chance(found)
    if absence and found.bounded and found.check_heard:
        return "not_heard"
    return "not_enough"


def _beyond_chance(found: Findings) -> str:
    if found.barrier:
        return "recordings_differ"
    if not found.ready:
        return "not_enough"
    return "heard" if found.attributed else "rerecording_too"


def preference(found: Findings) -> str:
    """Paired preference questions: what cannot be put down to the change claims nothing."""
    if not found.votes or not found.ready:
        return "not_enough"
    if found.beats_chance and found.barrier:
        return "not_enough"
    if found.attributed:
        return "preferred"
    if found.divided and not found.barrier:
        return "divided"
    if found.beats_chance:
        return "not_enough"
    if found.level and found.planned_in and found.check_heard and not found.divided:
        return "no_preference"
    return "not_enough"


def retake_control(found: Findings, *, absence: bool) -> str:
    """Is mere re-recording told apart? `absence` as above."""
    if not found.votes:
        return "not_enough"
    if found.beats_chance:
        return "heard"
    if absence and found.bounded and found.check_heard:
        return "not_heard"
    return "not_enough"


def planted_check(*, beats_chance: bool, share_lower: float | None, limit: float) -> str:
    """Was the panel able? Surely more than the plan's limit of the listeners must have heard it."""
    if beats_chance and share_lower is not None and share_lower > limit:
        return "heard"
    return "not_enough"
