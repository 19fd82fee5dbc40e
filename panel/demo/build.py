"""Builds the demo through the stages, as an organiser and forty listeners would.

Nothing is written past the stages but the schedule's seed, fixed so that the demo comes out the
same each time; the verdict is whatever the analysis makes of the simulated votes.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from sqlalchemy import event
from sqlalchemy.pool import ConnectionPoolEntry

from panel.demo import scenario, synth
from panel.demo.built import Built
from panel.demo.progress import Step
from panel.demo.scenario import Asked, RecordedTake
from panel.demo.story import Clock, StoryStore
from panel.demo.voting import LISTENERS, Listened, let_listen, with_planted
from panel.settings import Settings
from panel.stages import accounts, studies
from panel.stages.clips import prepare
from panel.stages.conclude import ending, publish
from panel.stages.contrasts import asked as contrasts
from panel.stages.listeners import invite
from panel.stages.plan import lock
from panel.stages.rows import plan_row
from panel.stages.takes import chain_log, excerpts, intake
from panel.store.opening import open_store
from panel.store.session import Store, write_first
from panel.study.conditions import Condition

SEED = 20
ORGANISER = "bench@larkfield.example"
YOU = "you@larkfield.example"
OPEN_LISTENERS = 24


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
        step = Step(bar)
        organiser = accounts.add_organiser(
            store, ORGANISER, "Larkfield Pickups (invented for this demo)"
        )
        closed_id, places = _zither_study(store, organiser, rng, step)
        votes = let_listen(store, settings, closed_id, places, rng, step)
        step.begin("Concluding by the plan's rule", 1)
        store.clock.now += timedelta(hours=9)
        ending.close(store, closed_id)
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


def _without_waiting_for_the_disk(store: Store) -> None:
    """A build that is cut short is thrown away whole, so it need not wait for each commit."""

    @event.listens_for(store.engine, "connect")
    def _relax(connection: sqlite3.Connection, _record: ConnectionPoolEntry) -> None:
        connection.execute("PRAGMA synchronous=OFF")

    store.engine.dispose()


def _zither_study(
    store: StoryStore, organiser: int, rng: np.random.Generator, step: Step
) -> tuple[int, dict[str, Listened]]:
    study_id = _study(
        store,
        organiser,
        "Bench zither, autumn",
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
        contrast: Listened(axis, with_planted(places, contrast)) for contrast, axis in asked.items()
    }


def _kalimba_study(store: StoryStore, organiser: int, rng: np.random.Generator, step: Step) -> int:
    study_id = _study(
        store,
        organiser,
        "Kalimba, autumn",
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
    step: Step,
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
    chain_log.name_carrier(store, study_id, f"the {takes[0].log['instrument']}")
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
            specimen=take.specimen,
            session=take.session,
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
    step: Step,
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
    lock.set_rule(store, study_id, listeners=listeners, planted_least_right=planted_least_right)
    with store.session() as s:
        write_first(s)
        row = plan_row(s, study_id)
        row.document = {**row.document, "schedule_seed": f"{SEED:032x}"}
        s.add(row)
        s.commit()
    step.begin("Cutting, aligning and matching clips", 1)
    prepare.prepare(store, study_id, progress=step.to)
    lock.lock(store, study_id)
    return asked
