"""Trials of a small study as an eavesdropper overhears them on a real server, with their keys."""

from pathlib import Path

import numpy as np
from eavesdropper import Trace, Wire, score
from real_server import Server
from scipy.stats import binomtest
from small_study import ALL_PROCEDURES, SmallStudy, build
from sqlmodel import select

from panel.procedures.base import ANSWERS
from panel.settings import load
from panel.stages.listen import visit
from panel.store.opening import open_store
from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Trial

CHANCE = dict.fromkeys(ALL_PROCEDURES, 1 / 2) | {"triangle": 1 / 3, "tetrad": 1 / 3}


def overheard(
    folder: Path, *, votes: int, listeners: int, procedures: tuple[str, ...], spoiling: str = ""
) -> tuple[list[Trace], list[Trial], SmallStudy]:
    """Let listeners vote at random through a real server; traces with the rows they belong to."""
    store = open_store(load(data=folder))
    study = build(store, procedures=procedures, votes=votes, listeners=listeners, length_s=0.1)
    for link in study.links:
        visit.consent(store, link)
        for code in procedures:
            visit.mark_done(store, link, f"practice:{code}")
    rng = np.random.default_rng(20)
    traces: list[Trace] = []
    server = Server(folder, spoiling)
    server.start()
    try:
        wire = Wire(server.port)
        for number, link in enumerate(study.links):
            while (trace := wire.trial(link, number, rng)) is not None:
                traces.append(trace)
        wire.close()
    finally:
        server.stop()
    return traces, rows_of(store, study, traces), study


def rows_of(store: Store, study: SmallStudy, traces: list[Trace]) -> list[Trial]:
    with store.session() as s:
        by_hash = {one.link_hash: one.id for one in s.exec(select(Listener))}
        rows = {(trial.listener_id, trial.number): trial for trial in s.exec(select(Trial))}
    ids = [by_hash[code_hash(link)] for link in study.links]
    return [rows[ids[trace.listener], trace.number] for trace in traces]


def key_of(trial: Trial, choices: tuple[str, ...]) -> int:
    """What the eavesdropper wants to know: the right answer, or which slot has which take."""
    if trial.right is None:
        return int(trial.slots[0] > trial.slots[1])
    return choices.index(ANSWERS[trial.right])


def p_of(traces: list[Trace], rows: list[Trial], procedure: str) -> tuple[float, int, int]:
    chosen = [i for i, row in enumerate(rows) if row.procedure == procedure]
    right, guessed = score(
        [traces[i] for i in chosen],
        [key_of(rows[i], traces[i].choices) for i in chosen],
        np.random.default_rng(7),
    )
    p = binomtest(right, guessed, CHANCE[procedure], alternative="greater").pvalue
    return float(p), right, guessed
