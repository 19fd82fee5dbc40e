"""Builds the demo through the stages, as an organiser and forty listeners would.

Nothing is written past the stages but the schedule's seed, fixed so that the demo comes out the
same each time; the verdict is whatever the analysis makes of the simulated votes.
"""

from __future__ import annotations

import heapq
import os
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from sqlalchemy import event
from sqlmodel import col, select

from panel.demo import scenario, synth
from panel.demo.listeners import SimulatedListener, answer, panel_of
from panel.demo.running import Built
from panel.demo.scenario import Asked, RecordedTake
from panel.design.guard import Condition
from panel.settings import Settings
from panel.stages import (
    accounts,
    chain_log,
    conclude,
    contrasts,
    excerpts,
    intake,
    invite,
    listen,
    plan,
    prepare,
    publish,
    studies,
    votes_in,
)
from panel.stages.links import holder
from panel.stages.rows import plan_row
from panel.store.opening import open_store
from panel.store.session import Store, write_first
from panel.store.tables import Trial

SEED = 20
ORGANISER = "bench@larkfield.example"
YOU = "you@larkfield.example"
LISTENERS = 40
OPEN_LISTENERS = 24


@dataclass
class Clock:
    """The time it is in the story."""

    now: datetime


@dataclass(frozen=True)
class StoryStore(Store):
    """A store whose time is the story's, so that forty listeners need no fortnight."""

    clock: Clock = field(default_factory=lambda: Clock(datetime.min))

    def now(self) -> datetime:
        return self.clock.now


def build(settings: Settings) -> Built:
    """Make both studies in `settings.data`, which should be empty; progress goes to stderr."""
    real = open_store(settings)
    store = StoryStore(
        real.engine, real.files, real.sealer, real.clips, Clock(real.now() - timedelta(days=14))
    )
    _without_waiting_for_the_disk(store)
    rng = np.random.default_rng(SEED)
    console = Console(stderr=True)
    bar = Progress(
        TextColumn("{task.description:<38}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        console=console,
        disable=not console.is_terminal,
    )
    with bar:
        step = _Step(bar)
        organiser = accounts.add_organiser(store, ORGANISER, "Larkfield Pickups")
        closed_id, places = _zither_study(store, organiser, rng, step)
        votes = _listening(store, settings, closed_id, places, rng, step)
        step.begin("Concluding by the plan's rule", 1)
        store.clock.now += timedelta(hours=9)
        conclude.close(store, closed_id)
        name = publish.file_name(store, closed_id)
        (settings.data / name).write_bytes(publish.export(store, closed_id))
        step.advance()
        store.clock.now = real.now()
        open_id = _kalimba_study(store, organiser, rng, step)
        invited = invite.invite(store, settings, open_id, YOU)
        invite.open_link(store, settings, open_id)
    codes = {view.id: view.code for view in studies.mine(store, organiser)}
    store.engine.dispose()
    os.sync()
    return Built(
        organiser=ORGANISER,
        closed_id=closed_id,
        closed_code=codes[closed_id],
        open_id=open_id,
        open_code=codes[open_id],
        listener_id=invited.added[0].listener_id,
        votes=votes,
        export=name,
    )


class _Step:
    """One bar a step."""

    def __init__(self, bar: Progress) -> None:
        self._bar = bar
        self._task = TaskID(-1)

    def begin(self, what: str, total: int) -> None:
        if self._bar.disable:  # into a file or a pipe: a line a step
            self._bar.console.print(f"{what} …")
        self._task = self._bar.add_task(what, total=total)

    def advance(self) -> None:
        self._bar.advance(self._task)

    def to(self, done: int, total: int) -> None:
        self._bar.update(self._task, completed=done, total=total)


def _without_waiting_for_the_disk(store: Store) -> None:
    """A build that is cut short is thrown away whole, so it need not wait for each commit."""

    @event.listens_for(store.engine, "connect")
    def _relax(connection: Any, _record: Any) -> None:
        connection.execute("PRAGMA synchronous=OFF")

    store.engine.dispose()


def _zither_study(
    store: StoryStore, organiser: int, rng: np.random.Generator, step: _Step
) -> tuple[int, dict[str, _Listened]]:
    study_id = _study(
        store,
        organiser,
        "Adhesive, element and hours",
        "Does a stiffer adhesive sound different on the zither, can anyone hear the economy "
        "element, and do hours on the vibration table change anything?",
    )
    takes = scenario.zither_takes(rng)
    keys = _record(store, study_id, synth.ZITHER, takes, rng, step, "Recording the bench zither")
    asked = _plan(
        store,
        study_id,
        takes,
        keys,
        scenario.ZITHER_EXCERPTS,
        scenario.ZITHER_QUESTIONS,
        scenario.CHECK_VOTES,
        LISTENERS,
        scenario.CHECK_LEAST_RIGHT,
        step,
    )
    places = {keys[take.order]: take.place for take in takes}
    return study_id, {
        contrast: _Listened(axis, _with_planted(places, contrast))
        for contrast, axis in asked.items()
    }


def _kalimba_study(store: StoryStore, organiser: int, rng: np.random.Generator, step: _Step) -> int:
    study_id = _study(
        store,
        organiser,
        "Adhesive on the kalimba",
        "Does the stiffer adhesive sound different on the kalimba too?",
    )
    takes = scenario.kalimba_takes(rng)
    keys = _record(store, study_id, synth.KALIMBA, takes, rng, step, "Recording the bench kalimba")
    _plan(
        store,
        study_id,
        takes,
        keys,
        scenario.KALIMBA_EXCERPTS,
        scenario.KALIMBA_QUESTIONS,
        2,
        OPEN_LISTENERS,
        None,
        step,
    )
    return study_id


def _study(store: Store, organiser: int, title: str, question: str) -> int:
    code = studies.create(store, organiser, title, question)
    return studies.overview(store, organiser, code).id


def _record(
    store: StoryStore,
    study_id: int,
    instrument: synth.Instrument,
    takes: Sequence[RecordedTake],
    rng: np.random.Generator,
    step: _Step,
    what: str,
) -> dict[int, str]:
    """Add the takes with their logs; returns take keys by order of recording."""
    factors = {
        factor.name: chain_log.add_factor(
            store, study_id, factor.name, factor.kind, factor.unit, factor.tolerance
        )
        for factor in scenario.FACTORS
    }
    step.begin(what, len(takes))
    piece = synth.performance(instrument, rng)
    keys = {}
    for take in takes:
        content = synth.wav(synth.take(piece, take.chain, rng))
        name = f"{take.label.lower().replace(' ', '-')}.wav"
        view = intake.add_take(store, study_id, name, [content], label=take.label)
        chain_log.log_take(
            store,
            study_id,
            view.key,
            {factors[factor]: value for factor, value in take.log.items()},
            recorded_order=take.order,
            notes="Freshly glued pickup.",
        )
        keys[take.order] = view.key
        step.advance()
    return keys


def _plan(
    store: StoryStore,
    study_id: int,
    takes: Sequence[RecordedTake],
    keys: Mapping[int, str],
    spans: Sequence[tuple[float, float]],
    questions: Sequence[Asked],
    check_votes: int,
    listeners: int,
    planted_least_right: int | None,
    step: _Step,
) -> dict[str, str | None]:
    """Excerpts, contrasts, clips, rules, lock; returns each contrast's attribute axis by key."""
    factors = {factor.name: factor.id for factor in chain_log.factors(store, study_id)}
    for number, (start_s, end_s) in enumerate(spans, start=1):
        excerpts.add_excerpt(store, study_id, start_s, end_s, label=f"part {number}")
    groups: dict[str, list[str]] = {}
    for take in takes:
        groups.setdefault(take.group, []).append(keys[take.order])
    asked: dict[str, str | None] = {}
    for question in questions:
        key = contrasts.add_question(
            store,
            study_id,
            name=question.name,
            procedure=question.procedure,
            factor=factors[question.factor],
            conditions=[
                Condition(label, tuple(groups[group]), dose)
                for label, group, dose in question.conditions
            ],
            votes_per_listener=question.votes_per_listener,
            attribute=question.attribute,
            scale=question.scale,
        )
        asked[key] = question.axis
    check = contrasts.add_planted_check(
        store,
        study_id,
        take_key=keys[takes[0].order],
        kind=scenario.CHECK_KIND,
        amount_db=scenario.CHECK_DB,
        procedure=scenario.CHECK_PROCEDURE,
        votes_per_listener=check_votes,
    )
    asked[check] = None
    plan.set_rule(store, study_id, listeners=listeners, planted_least_right=planted_least_right)
    with store.session() as s:
        write_first(s)
        row = plan_row(s, study_id)
        row.document = {**row.document, "schedule_seed": f"{SEED:032x}"}
        s.add(row)
        s.commit()
    step.begin("Cutting, aligning and matching clips", 1)
    prepare.prepare(store, study_id, progress=step.to)
    plan.lock(store, study_id)
    return asked


@dataclass(frozen=True)
class _Listened:
    """What the simulation needs to know of a contrast: the axis asked about, places by take."""

    axis: str | None
    places: Mapping[str, Mapping[str, float]]


def _with_planted(
    places: Mapping[str, Mapping[str, float]], contrast: str
) -> dict[str, Mapping[str, float]]:
    planted = {
        f"{key}+{contrast}": {
            **place,
            **{axis: place.get(axis, 0.0) + more for axis, more in scenario.CHECK_PLACE.items()},
        }
        for key, place in places.items()
    }
    return {**places, **planted}


def _listening(
    store: StoryStore,
    settings: Settings,
    study_id: int,
    contrasts_heard: Mapping[str, _Listened],
    rng: np.random.Generator,
    step: _Step,
) -> int:
    """Invite, and let everybody listen at their own times; returns the number of votes."""
    store.clock.now += timedelta(hours=3)
    pasted = "\n".join(f"listener-{n:02d}@listeners.example" for n in range(1, LISTENERS + 1))
    invited = invite.invite(store, settings, study_id, pasted)
    codes = [
        invite.personal_link(store, settings, added.listener_id).rsplit("/", 1)[1]
        for added in invited.added
    ]
    people = panel_of(rng, LISTENERS)
    begin = store.clock.now
    # Most come in the first days, and in the evening.
    starts = [
        begin
        + timedelta(days=float(min(9.0, rng.exponential(2.5))), hours=float(rng.uniform(0, 4)))
        for _ in people
    ]
    due: list[tuple[datetime, int]] = [(start, index) for index, start in enumerate(starts)]
    heapq.heapify(due)
    waiting: dict[int, list[_Due]] = {}
    votes = 0
    step.begin("Forty simulated listeners vote", 1)
    while due:
        store.clock.now, index = heapq.heappop(due)
        person, code = people[index], codes[index]
        if index not in waiting:
            waiting[index] = _arrive(store, code, person, rng)[::-1]
            total = LISTENERS * len(waiting[index])
            seconds = 240.0
        else:
            trial = waiting[index].pop()
            seconds = float(np.clip(person.pace_s * np.exp(rng.normal(0.0, 0.35)), 3.0, 300.0))
            heard = contrasts_heard[trial.contrast]
            votes_in.vote(
                store,
                code,
                trial.number,
                str(uuid.UUID(bytes=rng.bytes(16), version=4)),
                answer(
                    rng,
                    person,
                    trial.procedure,
                    [heard.places[slot] for slot in trial.slots],
                    heard.axis,
                ),
                plays=int(len(trial.slots) + rng.poisson(1.5)),
                seconds=round(seconds),
            )
            votes += 1
            step.to(votes, total)
            if not waiting[index]:
                listen.finish(store, code)
                continue
        heapq.heappush(due, (store.clock.now + timedelta(seconds=seconds), index))
    return votes


@dataclass(frozen=True)
class _Due:
    number: int
    contrast: str
    procedure: str
    slots: tuple[str, ...]


def _arrive(
    store: Store, code: str, person: SimulatedListener, rng: np.random.Generator
) -> list[_Due]:
    """Welcome to practice; returns the listener's trials with what is in their slots.

    Only a simulation may look there: it has to know what its listeners hear.
    """
    listen.enter(store, code)
    listen.consent(store, code, randbelow=lambda n: int(rng.integers(n)))
    listen.declare_playback(store, code, person.playback, person.sample_rate)
    listen.mark_done(store, code, "level")
    listen.record_check(store, code, person.headphone_check)
    with store.session() as s:
        listener, _ = holder(s, code)
        trials = s.exec(
            select(Trial).where(Trial.listener_id == listener.id).order_by(col(Trial.number))
        ).all()
    return [
        _Due(trial.number, trial.contrast_key, trial.procedure, tuple(trial.slots))
        for trial in trials
    ]
