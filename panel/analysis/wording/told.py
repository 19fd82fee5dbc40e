"""The sentences of a verdict, made from the plan and the verdict's facts in one place."""

from __future__ import annotations

from dataclasses import dataclass

from panel.analysis.wording import left_out, messages
from panel.analysis.wording.exclusion import rule_in_words
from panel.analysis.wording.limits import limit
from panel.analysis.wording.methods import methods
from panel.analysis.wording.next_steps import next_steps
from panel.analysis.wording.reasons import reasons
from panel.analysis.wording.sentence import headline, sentence
from panel.analysis.wording.withdrawn import withdrew
from panel.prose import ENGLISH, Language
from panel.study.plan import Plan
from panel.study.verdict import ContrastVerdict, Verdict


@dataclass(frozen=True)
class ContrastTold:
    """What is said of one contrast. `without`: if one listener, excerpt or take is left out;
    `of_size`, `no_curve`: beside its numbers, None where there is nothing to say."""

    sentence: str
    reasons: tuple[str, ...]
    next: tuple[str, ...]
    without: tuple[str, ...]
    of_size: str | None
    no_curve: str | None


@dataclass(frozen=True)
class Told:
    """What is said of a study; `contrasts` by id. `withdrawn`: "" if nobody withdrew."""

    headline: str
    rule: str
    contrasts: dict[str, ContrastTold]
    limits: tuple[str, ...]
    methods: str
    across: tuple[str, ...]
    withdrawn: str


def told(plan: Plan, verdict: Verdict, say: Language = ENGLISH) -> Told:
    """Every sentence that the verdict's facts bear, in a language."""
    return Told(
        headline=headline(say, plan, verdict),
        rule=rule_in_words(say, plan),
        contrasts={entry.id: _contrast(say, plan, verdict, entry) for entry in verdict.contrasts},
        limits=tuple(limit(say, plan, remark) for remark in verdict.limits),
        methods=methods(say, plan),
        across=tuple(
            messages.of_listeners(say, across.message) for across in verdict.listeners_across
        ),
        withdrawn=" ".join(withdrew(say, plan, verdict)),
    )


def _contrast(say: Language, plan: Plan, verdict: Verdict, entry: ContrastVerdict) -> ContrastTold:
    contrast, question = plan.contrast(entry.id), entry.numbers.question
    curve = question.dose_response if question else None
    return ContrastTold(
        sentence=sentence(say, plan, contrast, entry),
        reasons=reasons(say, plan, verdict, contrast, entry),
        next=next_steps(say, plan, contrast, entry),
        without=tuple(
            text
            for found in verdict.left_out.contrasts
            if found.id == entry.id
            for text in left_out.sentences(say, plan, verdict.left_out, found, entry)
        ),
        of_size=messages.of_size(say, question.model_message) if question else None,
        no_curve=messages.of_curve(say, curve.reason) if curve else None,
    )
