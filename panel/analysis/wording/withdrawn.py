"""What is said of listeners who took back their consent."""

from panel.prose import Language
from panel.study.plan import Plan
from panel.study.verdict import Verdict


def withdrew(say: Language, plan: Plan, verdict: Verdict) -> tuple[str, ...]:
    """Sentences on who withdrew, and what follows; none where nobody did."""
    gone = verdict.withdrawn
    if gone is None:
        return ()
    out = []
    if gone.kept:
        out.append(
            say.count(
                gone.kept,
                "{n} listener withdrew and left the answers, without a name.",
                "{n} listeners withdrew and left the answers, without a name.",
            )
        )
    if gone.removed:
        answers = say.count(
            gone.answers_removed, "{n} answer was there.", "{n} answers were there."
        )
        out.append(
            say.count(
                gone.removed,
                "{n} listener withdrew and had the answers removed: {answers}",
                "{n} listeners withdrew and had the answers removed: {answers}",
                answers=answers,
            )
        )
        if gone.answers_removed:
            out.append(say(ANYTIME if plan.anytime else SEALED))
    return tuple(out)


ANYTIME = (
    "Outcomes could be seen meanwhile, so each removed answer counts against a claim here, and a "
    "claim about the change is not made."
)
SEALED = "The study was sealed, so they cannot have been chosen by the outcome."
