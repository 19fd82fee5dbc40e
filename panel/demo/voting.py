"""Lets the demo's simulated listeners come to the booth and vote, each at their own times."""

from __future__ import annotations

import heapq
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from panel.demo import scenario
from panel.demo.listeners import SimulatedListener, answer, panel_of
from panel.demo.progress import Step
from panel.demo.story import StoryStore
from panel.settings import Settings
from panel.stages.listen import check_results, visit, votes_in
from panel.stages.listen.standing import trials_of
from panel.stages.listeners import invite
from panel.stages.listeners.links import holder
from panel.store.session import Store

LISTENERS = 40


@dataclass(frozen=True)
class Listened:
    """What the simulation needs to know of a contrast: the axis asked about, places by take."""

    axis: str | None
    places: Mapping[str, Mapping[str, float]]


def with_planted(
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


def let_listen(
    store: StoryStore,
    settings: Settings,
    study_id: int,
    contrasts_heard: Mapping[str, Listened],
    rng: np.random.Generator,
    step: Step,
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
                visit.finish(store, code)
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
    visit.enter(store, code)
    visit.consent(store, code, randbelow=lambda n: int(rng.integers(n)))
    visit.declare_playback(store, code, person.playback, person.sample_rate)
    visit.mark_done(store, code, "level")
    check_results.record_check(store, code, person.headphone_check)
    with store.session() as s:
        listener, _ = holder(s, code)
        trials = trials_of(s, listener)
    return [
        _Due(trial.number, trial.contrast_key, trial.procedure, tuple(trial.slots))
        for trial in trials
    ]
