"""Everything the report page shows, in its order: answers, limits, pictures, and what is folded."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from panel.analysis.wording.reliability import of_panel
from panel.prose import decimal, listed, percent, percent_range, plural
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
    short: str
    answers: tuple[Answer, ...]
    reasons: tuple[str, ...]
    next: tuple[str, ...]
    numbers: tuple[Line, ...]
    chain: Chain | None
    figures: tuple[Figure, ...]
    takes: tuple[Figure, ...]
    measured_figures: tuple[Figure, ...]
    measured: tuple[str, ...]
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
    plan: Mapping[str, Any],
    verdict: Mapping[str, Any],
    votes: VoteTable,
    listeners: ListenerTable,
    measured: Mapping[str, Measurement] | None = None,
    *,
    organiser: str = "",
    dates: str = "",
    export_url: str = "",
    plan_url: str = "",
) -> dict[str, Any]:
    """The context of report/report.html: {"report": Report}.

    `measured`: by question id, what the preparation step measured; None or without a question:
    said to be not measured. `dates` is free text such as "plan locked 2 May, votes 3–17 May".
    """
    made = {
        contrast["id"]: (
            contrast,
            _section(plan, verdict, contrast, entry, votes, (measured or {}).get(contrast["id"])),
        )
        for contrast, entry in all_of(plan, verdict)
    }
    sections = tuple(
        replace(
            section,
            controls=tuple(s for c, s in made.values() if c.get("of") == contrast["id"]),
        )
        for contrast, section in made.values()
        if contrast.get("of") not in made
    )
    pictures = (
        forest(plan, verdict),
        share_bound(plan, verdict),
        spread(plan, verdict, votes),
    )
    course = (votes_over_time(votes), evidence_by_vote(plan, verdict, votes))
    finished = int(listeners.finished.sum())
    report = Report(
        title=plan["study"]["title"],
        question=plan["study"]["question"],
        headline=_lines(verdict["headline"]),
        organiser=organiser,
        dates=dates,
        facts=(
            f"{plural(len(votes), 'vote')} by {plural(len(listeners), 'listener')}, "
            f"controls included; {'all' if finished == len(listeners) else f'{finished:,}'} of "
            "them answered every trial."
        ),
        figures=tuple(figure for figure in pictures if figure is not None),
        sections=sections,
        course=tuple(figure for figure in course if figure is not None),
        grid=full_grid(plan),
        listeners=tuple(_listener(entry) for entry in verdict["reliability"]),
        exclusion=(
            *_exclusion(verdict),
            *of_panel(verdict["reliability"]),
            *(entry["message"] for entry in verdict.get("listeners_across", ())),
        ),
        limits=tuple(verdict["limits"]),
        methods=verdict["methods"],
        plan_sha256=verdict["plan_sha256"],
        export_url=export_url,
        plan_url=plan_url,
    )
    return {"report": report}


def _section(
    plan: Mapping[str, Any],
    verdict: Mapping[str, Any],
    contrast: Mapping[str, Any],
    entry: Mapping[str, Any],
    votes: VoteTable,
    measured: Measurement | None,
) -> Section:
    question = contrast["role"] == "question"
    pictures: list[Figure | None] = []
    takes: list[Figure | None] = []
    measured_pictures: list[Figure | None] = []
    if question:
        pictures.append(order_of_conditions(plan, verdict, contrast["id"]))
        pictures.append(dose_curve(plan, verdict, votes, contrast["id"]))
        takes.append(takes_one_by_one(plan, verdict, votes, contrast["id"]))
        if measured is not None:
            measured_pictures.append(measured_difference(measured))
            measured_pictures.append(response_difference(measured))
    return Section(
        id=contrast["id"],
        name=contrast["name"],
        role=ROLE_WORDS[contrast["role"]],
        verdict=VERDICT_WORDS[entry["verdict"]],
        sentence=entry["sentence"],
        short=in_short(plan, contrast, entry) if question else "",
        answers=answers(plan, contrast, entry, verdict) if question else (),
        reasons=tuple(entry["reasons"]),
        next=tuple(entry["next"]),
        numbers=tuple(
            number_lines(plan, contrast, entry)
            + dose_lines(contrast, entry)
            + left_out_lines(verdict, contrast["id"])
        ),
        chain=chain_of(plan, contrast) if question else None,
        figures=tuple(figure for figure in pictures if figure is not None),
        takes=tuple(figure for figure in takes if figure is not None),
        measured_figures=tuple(figure for figure in measured_pictures if figure is not None),
        measured=_measured_lines(contrast, measured) if question else (),
    )


def _measured_lines(contrast: Mapping[str, Any], measured: Measurement | None) -> tuple[str, ...]:
    if measured is None:
        return ("What differs between the recordings was not measured for this report.",)
    return measured_lines(measured, matched=contrast["level"] == "matched")


def _listener(entry: Mapping[str, Any]) -> ListenerLine:
    planted, side, repeats = entry["planted"], entry["side"], entry["repeats"]
    return ListenerLine(
        code=entry["listener"],
        votes=f"{entry['votes']:,}",
        planted=f"{planted['count']} of {planted['trials']}" if planted else "none",
        first=(f"{percent(side['share'])} ({percent_range(side['interval'])})" if side else "none"),
        repeats=f"{repeats['same']} of {repeats['compared']}" if repeats else "none",
        seconds="none" if entry["seconds_median"] is None else decimal(entry["seconds_median"], 0),
        plays="none" if entry["plays_median"] is None else decimal(entry["plays_median"], 0),
        counts="yes" if entry["counts"] else "no",
    )


def _exclusion(verdict: Mapping[str, Any]) -> tuple[str, ...]:
    excluded = verdict["excluded"]
    out = [excluded["rule"]]
    if not excluded["listeners"]:
        out.append("Nobody was left out.")
    else:
        out.append(
            f"Left out by this rule: {plural(len(excluded['listeners']), 'listener')} "
            f"({listed(excluded['listeners'])})."
        )
        out.append(
            "With them, a verdict would be another."
            if excluded["changes_verdict"]
            else "With them, every verdict would be the same."
        )
    return tuple(text for text in out if text)


def _lines(headline: str) -> tuple[str, ...]:
    """The headline, each outcome on a line of its own: a break inside "not heard" misleads."""
    return tuple(re.split(r"(?<=\.) (?=[A-Z][^.:]*: )", headline))
