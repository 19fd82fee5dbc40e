"""Everything the report page shows, in its order: answers, limits, pictures, and what is folded."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from panel.analysis.wording.reliability import of_panel
from panel.analysis.wording.told import ContrastTold, Told, told
from panel.prose import ENGLISH, decimal, listed, percent, percent_range, plural
from panel.report.figures.course import evidence_by_vote, votes_over_time
from panel.report.figures.dose import dose_curve, dose_lines
from panel.report.figures.drawing import Figure
from panel.report.figures.listeners import spread
from panel.report.figures.measured import measured_difference
from panel.report.figures.outcome import VERDICT_WORDS, all_of, forest, share_bound
from panel.report.figures.ranking import order_of_conditions
from panel.report.figures.response import response_difference
from panel.report.figures.takes import takes_one_by_one
from panel.report.page.answers import Answer, answers, in_short
from panel.report.page.chain import Chain, chain_of, full_grid
from panel.report.page.measured import measured_lines
from panel.report.page.numbers import Line, left_out_lines, number_lines
from panel.study.factors import Grid
from panel.study.measurement import Measurement
from panel.study.plan import Contrast, Plan
from panel.study.verdict import ContrastVerdict, Reliability, Verdict
from panel.study.votes import ListenerTable, VoteTable

ROLE_WORDS = {
    "question": "question",
    "retake_control": "retake control",
    "planted_check": "planted check",
}


@dataclass(frozen=True)
class Section:
    """One contrast as the page shows it."""

    id: str
    name: str
    role: str
    verdict: str
    sentence: str
    reasons: tuple[str, ...]
    next: tuple[str, ...]
    numbers: tuple[Line, ...]
    short: str = ""
    answers: tuple[Answer, ...] = ()
    chain: Chain | None = None
    figures: tuple[Figure, ...] = ()
    takes: tuple[Figure, ...] = ()
    measured_figures: tuple[Figure, ...] = ()
    measured: tuple[str, ...] = ()
    controls: tuple[Section, ...] = ()


@dataclass(frozen=True)
class ListenerLine:
    """One listener in the table of reliability, by random code."""

    code: str
    votes: str
    planted: str
    first: str
    repeats: str
    seconds: str
    plays: str
    counts: str


@dataclass(frozen=True)
class Report:
    """What the template reads; every text is plain and still to be escaped by it."""

    title: str
    question: str
    headline: tuple[str, ...]
    organiser: str
    dates: str
    facts: str
    figures: tuple[Figure, ...]
    sections: tuple[Section, ...]
    course: tuple[Figure, ...]
    grid: Grid
    listeners: tuple[ListenerLine, ...]
    exclusion: tuple[str, ...]
    limits: tuple[str, ...]
    methods: str
    plan_sha256: str
    export_url: str
    plan_url: str


def context(
    plan: Plan,
    verdict: Verdict,
    votes: VoteTable,
    listeners: ListenerTable,
    measured: Mapping[str, Measurement] | None = None,
    *,
    organiser: str = "",
    dates: str = "",
    export_url: str = "",
    plan_url: str = "",
) -> dict[str, Report]:
    """The context of report/report.html: {"report": Report}.

    `measured`: by question id, what the preparation step measured; None or without a question:
    said to be not measured. `dates` is free text such as "plan locked 2 May, votes 3–17 May".
    """
    said = told(plan, verdict)
    report = Report(
        title=plan.title,
        question=plan.question,
        headline=lines_of(said.headline),
        organiser=organiser,
        dates=dates,
        facts=_facts(votes, listeners),
        figures=_there(
            forest(plan, verdict), share_bound(plan, verdict), spread(plan, verdict, votes)
        ),
        sections=_sections(plan, verdict, said, votes, measured or {}),
        course=_there(votes_over_time(votes), evidence_by_vote(plan, verdict, votes)),
        grid=full_grid(plan),
        listeners=tuple(map(_listener, verdict.reliability)),
        exclusion=(
            *_exclusion(verdict, said.rule),
            *of_panel(ENGLISH, verdict.reliability),
            *said.across,
        ),
        limits=said.limits,
        methods=said.methods,
        plan_sha256=verdict.plan_sha256,
        export_url=export_url,
        plan_url=plan_url,
    )
    return {"report": report}


def _facts(votes: VoteTable, listeners: ListenerTable) -> str:
    finished = int(listeners.finished.sum())
    return (
        f"{plural(len(votes), 'vote')} by {plural(len(listeners), 'listener')}, "
        f"controls included; {'all' if finished == len(listeners) else f'{finished:,}'} of "
        "them answered every trial."
    )


def _there(*figures: Figure | None) -> tuple[Figure, ...]:
    """The pictures that there is something to draw for."""
    return tuple(figure for figure in figures if figure is not None)


def _sections(
    plan: Plan,
    verdict: Verdict,
    said: Told,
    votes: VoteTable,
    measured: Mapping[str, Measurement],
) -> tuple[Section, ...]:
    """A section a contrast, questions with their controls inside."""
    made = {
        contrast.id: (
            contrast,
            _section(
                plan, verdict, contrast, entry, said.contrasts[entry.id], votes,
                measured.get(contrast.id),
            ),
        )
        for contrast, entry in all_of(plan, verdict)
    }  # fmt: skip
    return tuple(
        replace(section, controls=tuple(s for c, s in made.values() if c.of == contrast.id))
        for contrast, section in made.values()
        if contrast.of not in made
    )


def _section(
    plan: Plan,
    verdict: Verdict,
    contrast: Contrast,
    entry: ContrastVerdict,
    said: ContrastTold,
    votes: VoteTable,
    measured: Measurement | None,
) -> Section:
    section = Section(
        id=contrast.id,
        name=contrast.name,
        role=ROLE_WORDS[contrast.role],
        verdict=VERDICT_WORDS[entry.verdict],
        sentence=said.sentence,
        reasons=said.reasons,
        next=said.next,
        numbers=tuple(
            number_lines(plan, contrast, entry, said.of_size)
            + dose_lines(contrast, entry, said.no_curve)
            + left_out_lines(said.without)
        ),
    )
    if contrast.role != "question":
        return section
    return replace(
        section,
        short=in_short(contrast, entry),
        answers=answers(plan, contrast, entry, verdict, said.next),
        chain=chain_of(plan, contrast),
        figures=_there(
            order_of_conditions(plan, verdict, contrast.id),
            dose_curve(plan, verdict, votes, contrast.id),
        ),
        takes=_there(takes_one_by_one(plan, verdict, votes, contrast.id)),
        measured_figures=()
        if measured is None
        else _there(measured_difference(measured), response_difference(measured)),
        measured=_measured_lines(contrast, measured),
    )


def _measured_lines(contrast: Contrast, measured: Measurement | None) -> tuple[str, ...]:
    if measured is None:
        return ("What differs between the recordings was not measured for this report.",)
    return measured_lines(measured, matched=contrast.level == "matched")


def _listener(row: Reliability) -> ListenerLine:
    side, repeats, known = row.side, row.repeats, row.known
    planted = known.planted if known else None
    return ListenerLine(
        code=row.listener,
        votes=f"{row.votes:,}",
        planted=f"{planted.count} of {planted.trials}" if planted else "none",
        first=f"{percent(side.share)} ({percent_range(side.interval)})" if side else "none",
        repeats=f"{repeats.same} of {repeats.compared}" if repeats else "none",
        seconds="none" if row.seconds_median is None else decimal(row.seconds_median, 0),
        plays="none" if row.plays_median is None else decimal(row.plays_median, 0),
        counts="yes" if known and known.counts else "no",
    )


def _exclusion(verdict: Verdict, rule: str) -> tuple[str, ...]:
    excluded = verdict.excluded
    if not excluded.listeners:
        return rule, "Nobody was left out."
    return (
        rule,
        f"Left out by this rule: {plural(len(excluded.listeners), 'listener')} "
        f"({listed(excluded.listeners)}).",
        "With them, a verdict would be another."
        if excluded.changes_verdict
        else "With them, every verdict would be the same.",
    )


def lines_of(headline: str) -> tuple[str, ...]:
    """The headline, each outcome on a line of its own: a break inside "not heard" misleads."""
    return tuple(re.split(r"(?<=\.) (?=[A-Z][^.:]*: )", headline))
