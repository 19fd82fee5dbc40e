"""What a plan will conclude if so much can be heard: whole studies, simulated and decided.

The plan's own schedule is dealt out, listeners answer by Thurstone's model, and their votes go
through the very steps of the verdict (panel.analysis.decision: evidence, judgement), exclusion and
Holm included; only what decides nothing (sizes, what is left out, words) is not worked out. Votes
are drawn as arrays, not as a table: the same votes written out as a table give the same verdict.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from panel.analysis.decision import evidence
from panel.analysis.decision.coded import Coded
from panel.analysis.decision.evidence import Evidence
from panel.analysis.decision.judgement import Judgement, decide, rng_for
from panel.design.schedule import PlannedTrial, listener_trials
from panel.errors import BadInput
from panel.procedures.base import Simulated
from panel.procedures.catalogue import procedure
from panel.study.plan import Contrast, Plan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

AT_ONCE = 2_000_000  # answers drawn at once


@dataclass(frozen=True)
class Truth:
    """What is so in a simulated study.

    `dprime`: distance of the conditions furthest apart, on every question, for the typical
    listener who hears. `hearing`: share of listeners who do; the rest guess. `take_spread`: how far
    takes of one condition lie apart by themselves, in d′. `listener_spread`: of the logarithm of
    listeners' sensitivities. `check_dprime`: of the planted check, heard by everybody. `nil`: ids
    of questions on which the conditions do not differ at all. In units of perceptual noise:
    `criterion`, how far apart two samples must seem to be called different (same–different), and
    `undecided`, within what distance neither is preferred where that can be said.
    """

    dprime: float
    hearing: float = 1.0
    take_spread: float = 0.25
    listener_spread: float = 0.5
    check_dprime: float = 4.0
    nil: frozenset[str] = frozenset()
    criterion: float = 1.5
    undecided: float = 0.5

    def __post_init__(self) -> None:
        if not 0 <= self.hearing <= 1:
            raise BadInput("The share who can hear it must lie between 0 and 1.")
        if min(self.take_spread, self.listener_spread) < 0:
            raise BadInput("A spread cannot be negative.")
        if min(self.criterion, self.undecided) < 0:
            raise BadInput("A distance that listeners go by cannot be negative.")


@dataclass(frozen=True)
class Asked:
    """The trials of one contrast that a plan deals out, in order of arrival; (trials,) each.

    `place` (takes,): where a take stands, as a fraction of the full distance; `second` is later in
    the order of `take_ids` than `first`; `sequence` counts over all contrasts. `reminders`
    (trials, 2): another take of the condition of `first`, and of `second`; None where there are
    none.
    """

    contrast: Contrast
    take_ids: tuple[str, ...]
    labels: Ints
    place: Floats
    first: Ints
    second: Ints
    one: Ints
    excerpt: tuple[str, ...]
    listener: Ints
    sequence: Ints
    reminders: Ints | None = None

    @cached_property
    def excerpt_index(self) -> Ints:
        """(trials,): the excerpts numbered in the order of their names."""
        index = {name: i for i, name in enumerate(sorted(set(self.excerpt)))}
        return np.array([index[name] for name in self.excerpt], np.int64)


@dataclass(frozen=True)
class Chances:
    """Share of `runs` simulated studies that gave each code, by contrast id."""

    codes: Mapping[str, Mapping[str, float]]
    runs: int

    def of(self, contrast: str, *codes: str) -> float:
        """Share of studies in which the contrast got one of the codes."""
        return sum(self.codes[contrast].get(code, 0.0) for code in codes)


def chances(rng: np.random.Generator, plan: Plan, truth: Truth, *, runs: int = 1000) -> Chances:
    """Simulate `runs` studies to the planned end and count their verdicts.

    Listeners come one after the other, all finish, and all pass the headphone check.
    """
    counts: dict[str, Counter[str]] = {}
    for codes in decided(rng, plan, truth, runs=runs):
        for id_, code in codes.items():
            counts.setdefault(id_, Counter())[code] += 1
    return Chances(
        {id_: {code: n / runs for code, n in sorted(c.items())} for id_, c in counts.items()}, runs
    )


def decided(
    rng: np.random.Generator, plan: Plan, truth: Truth, *, runs: int
) -> Iterator[dict[str, str]]:
    """The codes of each simulated study, by contrast id."""
    asked = dealt_out(plan)
    for answers in answered(rng, plan, asked, truth, runs=runs):
        yield {id_: one.code for id_, one in judged(plan, asked, answers).items()}


def dealt_out(plan: Plan) -> tuple[Asked, ...]:
    """Every trial of the plan's listeners, from its schedule."""
    trials: dict[str, list[tuple[int, int, PlannedTrial]]] = {c.id: [] for c in plan.served}
    sequence = 0
    for listener in range(plan.listeners):
        for trial in listener_trials(plan, listener):
            sequence += 1
            trials[trial.contrast].append((sequence, listener, trial))
    return tuple(_asked(plan.contrast(id_), own) for id_, own in trials.items())


def _asked(contrast: Contrast, trials: list[tuple[int, int, PlannedTrial]]) -> Asked:
    ordered = contrast
    if contrast.is_dose:  # as coded.code puts them
        ordered = replace(
            contrast, conditions=tuple(sorted(contrast.conditions, key=lambda c: c.dose or 0.0))
        )
    take_ids = tuple(t for c in ordered.conditions for t in c.takes)
    index = {take: i for i, take in enumerate(take_ids)}
    labels = np.repeat(
        np.arange(len(ordered.conditions)), [len(c.takes) for c in ordered.conditions]
    )
    steps = np.arange(len(ordered.conditions), dtype=float)
    if contrast.is_dose:
        steps = np.array(ordered.doses_on_scale)
    steps = (steps - steps[0]) / (steps[-1] - steps[0])
    if contrast.role == "retake_control":
        steps = np.zeros_like(steps)
    pairs = np.array([sorted((index[t.take_a], index[t.take_b])) for *_, t in trials], np.int64)
    reminders = None
    if trials and trials[0][-1].reminders:  # the later take is of the later condition
        reminders = np.array([sorted(index[r] for r in t.reminders) for *_, t in trials], np.int64)
    return Asked(
        contrast=contrast,
        take_ids=take_ids,
        labels=labels.astype(np.int64),
        place=steps[labels],
        first=pairs[:, 0],
        second=pairs[:, 1],
        one=pairs[:, 0],  # which stands first moves nothing here: no order effect is simulated
        excerpt=tuple(trial.excerpt for *_, trial in trials),
        listener=np.array([listener for _, listener, _ in trials], np.int64),
        sequence=np.array([sequence for sequence, *_ in trials], np.int64),
        reminders=reminders,
    )


def answered(
    rng: np.random.Generator, plan: Plan, asked: tuple[Asked, ...], truth: Truth, *, runs: int
) -> Iterator[dict[str, Simulated]]:
    """The answers of each study, by contrast id."""
    total = sum(a.first.size for a in asked)
    left = runs
    while left:
        some = min(left, max(1, AT_ONCE // total))
        left -= some
        keen = np.exp(truth.listener_spread * rng.standard_normal((some, plan.listeners)))
        keen *= rng.random(keen.shape) < truth.hearing
        drawn = {}
        for one in asked:
            if one.contrast.role == "planted_check":
                takes = np.broadcast_to(truth.check_dprime * one.place, (some, one.place.size))
                sharp = np.ones_like(keen)
            else:
                full = 0.0 if one.contrast.id in truth.nil else truth.dprime
                takes = full * one.place + truth.take_spread * rng.standard_normal(
                    (some, one.place.size)
                )
                sharp = keen
            apart = (takes[:, one.second] - takes[:, one.first]) * sharp[:, one.listener]
            if one.reminders is not None:
                # The reminders' own difference says which way to listen.
                reminded = takes[:, one.reminders[:, 1]] - takes[:, one.reminders[:, 0]]
                apart = np.where(reminded < 0, -apart, apart)
            drawn[one.contrast.id] = procedure(one.contrast.procedure).simulate(
                rng,
                apart,
                criterion=truth.criterion,
                undecided=truth.undecided if one.contrast.ties else None,
            )
        for run in range(some):
            yield {id_: answers[run] for id_, answers in drawn.items()}


def judged(
    plan: Plan,
    asked: tuple[Asked, ...],
    answers: Mapping[str, Simulated],
    *,
    until: int | None = None,
) -> dict[str, Judgement]:
    """The judgements on one simulated study, by contrast id.

    `until`: a look, after the vote of that sequence number, at a plan that allows it.
    """
    found = gathered(plan, asked, answers, until=until)
    return decide(plan, found, dict.fromkeys(found, 0))


def gathered(
    plan: Plan,
    asked: tuple[Asked, ...],
    answers: Mapping[str, Simulated],
    *,
    until: int | None = None,
) -> dict[str, Evidence]:
    """The evidence of one simulated study, by contrast id; `until` as in `judged`."""
    found = _of_admitted(plan, asked, answers, _admitted(plan, asked, answers), until)
    if not plan.excludes:
        return found
    everyone = np.zeros(plan.listeners, np.int64)
    everybody = _of_admitted(plan, asked, answers, everyone, until)
    return {id_: one.beside(everybody[id_]) for id_, one in found.items()}


def _of_admitted(
    plan: Plan,
    asked: tuple[Asked, ...],
    answers: Mapping[str, Simulated],
    admitted: Ints,
    until: int | None,
) -> dict[str, Evidence]:
    """The same of the listeners who count; `admitted` as `_admitted` gives it."""
    out = {}
    for one in asked:
        own = answers[one.contrast.id]
        here = np.ones(own.y.size, bool) if until is None else one.sequence <= until
        cast = int(np.count_nonzero(here))
        since = admitted[one.listener]
        there = here & (since >= 0)
        if until is not None:
            there &= since <= until
        keep = np.flatnonzero(there)
        last: Ints | None = keep
        if one.contrast.role == "planted_check":
            keep = last = np.flatnonzero(here)
        elif plan.anytime:
            # Attribution has one look, at the vote that completes the planned number.
            end = one.sequence[-1]
            last = np.flatnonzero((since >= 0) & (since <= end)) if cast == own.y.size else None
            keep = keep[np.argsort(np.maximum(one.sequence, since)[keep], kind="stable")]
        out[one.contrast.id] = evidence.of_question(
            plan,
            one.contrast,
            _coded(one, own, keep),
            None if last is None else _coded(one, own, last),
            cast,
            rng_for(plan, one.contrast),
            decision_only=True,
        )
    for contrast in plan.contrasts:
        if contrast.of is not None:
            out[contrast.id] = evidence.of_derived_control(plan, contrast, out[contrast.of])
    return {c.id: out[c.id] for c in plan.contrasts}


def _admitted(plan: Plan, asked: tuple[Asked, ...], answers: Mapping[str, Simulated]) -> Ints:
    """(listeners,) sequence number from which a listener's votes count; -1: never."""
    needed = plan.planted_least_right or 0
    if needed == 0:
        return np.zeros(plan.listeners, np.int64)
    out = np.full(plan.listeners, -1, np.int64)
    checks = [a for a in asked if a.contrast.role == "planted_check"]
    if not checks:
        return out
    right = np.concatenate([answers[a.contrast.id].y for a in checks])
    listener = np.concatenate([a.listener for a in checks])[right]
    sequence = np.concatenate([a.sequence for a in checks])[right]
    for who in range(plan.listeners):
        own = np.sort(sequence[listener == who])
        if own.size >= needed:
            out[who] = own[needed - 1]
    return out


def _coded(one: Asked, answers: Simulated, keep: Ints) -> Coded:
    said = answers[keep]
    listeners, listener = np.unique(one.listener[keep], return_inverse=True)
    _, excerpt = np.unique(one.excerpt_index[keep], return_inverse=True)
    return Coded(
        take_ids=one.take_ids,
        labels=one.labels,
        first=one.first[keep],
        second=one.second[keep],
        one=one.one[keep],
        excerpt=excerpt.astype(np.int64),
        listener=listener.astype(np.int64),
        listeners=tuple(f"{who:06d}" for who in listeners.tolist()),
        y=said.y,
        tied=said.tied,
        differ=said.differ,
        at_hand=None if one.reminders is None else one.reminders[keep],
    )
