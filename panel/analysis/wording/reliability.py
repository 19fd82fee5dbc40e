"""What is said of the panel as a whole, from each listener's reliability; everybody is counted.

Only counts: listeners differ, so votes of all together have no interval of their own here.
"""

from collections.abc import Sequence

from panel.analysis.wording.phrases import listeners, percent
from panel.prose import Language
from panel.study.verdict import Proportion, Reliability, Repeats


def of_panel(say: Language, rows: Sequence[Reliability]) -> tuple[str, ...]:
    """Whether it was able to hear, and whether it agrees with itself."""
    planted = [row.known.planted for row in rows if row.known and row.known.planted]
    repeats = [row.repeats for row in rows if row.repeats]
    return _able(say, planted), _agrees(say, repeats)


def _able(say: Language, planted: Sequence[Proportion]) -> str:
    if not planted:
        return say("No planted check was answered, so nobody is shown to have been able.")
    right, asked = sum(p.count for p in planted), sum(p.trials for p in planted)
    return say(
        "Planted checks were answered right in {right} of {asked} trials ({share}); {perfect} of "
        "{listeners} got all of theirs right.",
        right=f"{right:,}",
        asked=f"{asked:,}",
        share=percent(say, right / asked),
        perfect=f"{sum(p.count == p.trials for p in planted):,}",
        listeners=listeners(say, len(planted)),
    )


def _agrees(say: Language, repeats: Sequence[Repeats]) -> str:
    if not repeats:
        return say(
            "No listener met the same pair and excerpt twice: the schedule puts different pairs "
            "first, so how far listeners agree with themselves cannot be told."
        )
    same, compared = sum(r.same for r in repeats), sum(r.compared for r in repeats)
    return say(
        "Asked a question about the same pair and excerpt again, {listeners} answered as before in "
        "{same} of {compared} cases ({share}): right both times or wrong both times, or, where "
        "nothing is right, for the same take. Guessing gives about half.",
        listeners=listeners(say, len(repeats)),
        same=f"{same:,}",
        compared=f"{compared:,}",
        share=percent(say, same / compared),
    )
