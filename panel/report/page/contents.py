"""Everything the report page shows, in its order: answers, limits, pictures, and what is folded."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from panel.analysis.wording.reliability import of_panel
from panel.analysis.wording.told import ContrastTold, Told, told
from panel.prose import ENGLISH, Language, decimal, listed, percent, percent_range
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
    say: Language = ENGLISH,
) -> dict[str, Report | Language]:
    """The context of report/report.html: "report", and "say", the language that it is said in.

    `measured`: by question id, what the preparation step measured; None or without a question:
    said to be not measured. `dates` is free text such as "plan locked 2 May, votes 3–17 May".
    """
    said = told(plan, verdict, say)
    report = Report(
        title=plan.title,
        question=plan.question,
        headline=lines_of(said.headline),
        organiser=organiser,
        dates=dates,
        facts=_facts(say, votes, listeners),
        figures=_there(
            forest(say, plan, verdict),
            share_bound(say, plan, verdict),
            spread(say, plan, verdict, votes),
        ),
        sections=_sections(say, plan, verdict, said, votes, measured or {}),
        course=_there(votes_over_time(say, votes), evidence_by_vote(say, plan, verdict, votes)),
        grid=full_grid(say, plan),
        listeners=tuple(_listener(say, row) for row in verdict.reliability),
        exclusion=(
            *_exclusion(say, verdict, said.rule),
            *of_panel(say, verdict.reliability),
            *said.across,
        ),
        limits=said.limits,
        methods=said.methods,
        plan_sha256=verdict.plan_sha256,
        export_url=export_url,
        plan_url=plan_url,
    )
    return {"report": report, "say": say}


def _facts(say: Language, votes: VoteTable, listeners: ListenerTable) -> str:
    finished = int(listeners.finished.sum())
    text = (
        "{votes} by {listeners}, controls included; all of them answered every trial."
        if finished == len(listeners)
        else ("{votes} by {listeners}, controls included; {finished} of them answered every "
                "trial.")
    )  # fmt: skip
    return say(
        text,
        votes=say.count(len(votes), "{n} vote", "{n} votes"),
        listeners=say.count(len(listeners), "{n} listener", "{n} listeners"),
        finished=f"{finished:,}",
    )


def _there(*figures: Figure | None) -> tuple[Figure, ...]:
    """The pictures that there is something to draw for."""
    return tuple(figure for figure in figures if figure is not None)


def _sections(
    say: Language,
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
                say, plan, verdict, contrast, entry, said.contrasts[entry.id], votes,
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
    say: Language,
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
        role=say(ROLE_WORDS[contrast.role]),
        verdict=say(VERDICT_WORDS[entry.verdict]),
        sentence=said.sentence,
        reasons=said.reasons,
        next=said.next,
        numbers=tuple(
            number_lines(say, plan, contrast, entry, said.of_size)
            + dose_lines(say, contrast, entry, said.no_curve)
            + left_out_lines(say, said.without)
        ),
    )
    if contrast.role != "question":
        return section
    return replace(
        section,
        short=in_short(say, contrast, entry),
        answers=answers(say, plan, contrast, entry, verdict, said.next),
        chain=chain_of(say, plan, contrast),
        figures=_there(
            order_of_conditions(say, plan, verdict, contrast.id),
            dose_curve(say, plan, verdict, votes, contrast.id),
        ),
        takes=_there(takes_one_by_one(say, plan, verdict, votes, contrast.id)),
        measured_figures=()
        if measured is None
        else _there(measured_difference(say, measured), response_difference(say, measured)),
        measured=_measured_lines(say, contrast, measured),
    )


def _measured_lines(
    say: Language, contrast: Contrast, measured: Measurement | None
) -> tuple[str, ...]:
    if measured is None:
        return (say("What differs between the recordings was not measured for this report."),)
    return measured_lines(say, measured, matched=contrast.level == "matched")


def _listener(say: Language, row: Reliability) -> ListenerLine:
    side, repeats, known = row.side, row.repeats, row.known
    planted = known.planted if known else None
    none = say("none")
    shares = (
        f"{percent(side.share, say=say)} ({percent_range(side.interval, say=say)})"
        if side
        else none
    )
    return ListenerLine(
        code=row.listener,
        votes=f"{row.votes:,}",
        planted=_of(say, planted.count, planted.trials) if planted else none,
        first=shares,
        repeats=_of(say, repeats.same, repeats.compared) if repeats else none,
        seconds=none if row.seconds_median is None else decimal(row.seconds_median, 0, say=say),
        plays=none if row.plays_median is None else decimal(row.plays_median, 0, say=say),
        counts=say("yes") if known and known.counts else say("no"),
    )


def _of(say: Language, some: int, all_: int) -> str:
    return say("{some} of {all}", some=some, all=all_)


def _exclusion(say: Language, verdict: Verdict, rule: str) -> tuple[str, ...]:
    excluded = verdict.excluded
    if not excluded.listeners:
        return rule, say("Nobody was left out.")
    return (
        rule,
        say.count(
            len(excluded.listeners),
            "Left out by this rule: {n} listener ({codes}).",
            "Left out by this rule: {n} listeners ({codes}).",
            codes=listed(excluded.listeners, say),
        ),
        say("With them, a verdict would be another.")
        if excluded.changes_verdict
        else say("With them, every verdict would be the same."),
    )


def lines_of(headline: str) -> tuple[str, ...]:
    """The headline, each outcome on a line of its own: a break inside "not heard" misleads."""
    return tuple(re.split(r"(?<=\.) (?=[A-Z][^.:]*: )", headline))
