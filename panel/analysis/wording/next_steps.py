"""What would change the verdict, in words."""

from panel.analysis.wording.phrases import factor_names, listeners, percent
from panel.prose import Language
from panel.study.plan import Contrast, Plan
from panel.study.verdict import ContrastVerdict, Remark

SENTENCES = {
    "more_listeners": "More listeners: so few can show no more, though they got all right.",
    "larger_plant": "Plant a larger difference, or put the check more often to each listener.",
    "ask_audibility": "Ask by ABX or triangle on the same takes whether a difference is heard.",
    "record_takes": "Record {takes} takes of each condition, in mixed order.",
    "record_cells": (
        "Record {takes} takes of each condition in each of the {strata} groups alike in {given}, "
        "in mixed order."
    ),
    "fewer_questions": "Or ask fewer questions in the next plan.",
    "differ_in_one": "Record takes that differ in one thing only.",
    "log_factors": "Log the missing factors for all takes, or record anew.",
    "ask_sealed": "Ask again in a sealed plan: there a withdrawal costs only its votes.",
    "put_retakes": "Put pairs of takes of the same condition too.",
    "more_votes": "{votes} until the change itself can be judged.",
    "more_takes": "More takes of each condition, rather than more votes, would tell them apart.",
    "bare_audibility": "If bare audibility matters, ask by ABX or triangle on the same takes.",
    "beat_chance": (
        "To beat chance, if the share stays at {share}: about {comparisons} comparisons across the "
        "conditions, that is {listeners} like these instead of {instead_of} (four chances in five)."
    ),
    "ask_for_absence": ("To be able to say “not heard”, ask by ABX or triangle on the same takes."),
    "bound_share": (
        "To show that at most {limit} hear it every time, if further listeners answer alike: about "
        "{listeners}."
    ),
    "check_heard": "A planted check that is heard, so that “not heard” can be said.",
}


def next_steps(
    say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict
) -> tuple[str, ...]:
    """The sentences of an entry's next steps."""
    return tuple(_said(say, plan, contrast, entry, remark) for remark in entry.next)


def _said(
    say: Language, plan: Plan, contrast: Contrast, entry: ContrastVerdict, remark: Remark
) -> str:
    told = dict(remark.values)
    if "votes" in told:
        told["votes"] = say.count(remark.count("votes"), "{n} more vote", "{n} more votes")
    if "listeners" in told:
        told["listeners"] = listeners(say, remark.count("listeners"))
    if "share" in told:
        told["share"] = percent(say, remark.number("share"))
    return say(
        SENTENCES[remark.code],
        **told,
        given=factor_names(say, plan, contrast.given),
        limit=percent(say, plan.limit),
        instead_of=entry.numbers.listeners,
    )
