"""What measurably differs between the conditions of each question, beside what retakes vary by."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from panel.audio.measure import conditions, low_corner
from panel.audio.measure.conditions import Between, ResponseBand
from panel.audio.measure.difference import third_octave_difference
from panel.audio.measure.envelope import NoteDifference
from panel.audio.measure.low_corner import CornerShift
from panel.audio.measure.retakes import retake_band
from panel.errors import NotFound
from panel.prose import ENGLISH
from panel.report.figures.drawing import Figure
from panel.report.figures.measured import measured_difference
from panel.report.figures.response import response_difference
from panel.report.page.measured import measured_lines
from panel.stages.clips.samples import clip_samples
from panel.stages.contrasts.rows import contrasts_in
from panel.stages.rows import asked_in, clips_in, excerpts_in, factors_in, log_of, takes_in
from panel.store.session import Store
from panel.store.tables import Clip
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog
from panel.study.measurement import (
    Band,
    Circuit,
    Corner,
    Measurement,
    Measurements,
    NoCircuit,
    Notes,
    ResponsePoint,
    Span,
    Stage,
)
from panel.study.parts import LowCut, low_cut_of, parts_of

Floats = NDArray[np.float64]
Take = list[Floats]

MOST_KEPT = 40


def measured(store: Store, study_id: int) -> Measurements:
    """For each question what the last condition measurably is against the first.

    All excerpts are taken together. Raises NotFound where a clip has not been prepared, or where
    something is asked and no excerpt is marked.
    """
    with store.session() as s:
        # Given another factor, takes of one condition differ in that: they are no retakes.
        questions = [
            contrast
            for contrast in map(asked_in, contrasts_in(s, study_id))
            if contrast.role == "question" and not contrast.given
        ]
        excerpts = [excerpt.key for excerpt in excerpts_in(s, study_id)]
        clips = {(clip.take_key, clip.excerpt_key): clip for clip in clips_in(s, study_id)}
        factors = factors_in(s, study_id)
        logs = {take.key: log_of(take) for take in takes_in(s, study_id)}
    if questions and not excerpts:
        raise NotFound("No excerpt is marked.", hint="Mark an excerpt, then prepare the clips.")
    entries = []
    for question in questions:
        sides = question.conditions
        compared = _Compared(question.id, question.name, sides[0], sides[-1], tuple(excerpts))
        circuits = _low_cuts(factors, logs, compared)
        kept, mark = _kept(store), _mark(compared, clips, circuits)
        found = kept.get(mark)
        if found is None:
            found = _measurement(store, study_id, compared, clips, circuits)
            kept[mark] = found
            while len(kept) > MOST_KEPT:
                kept.pop(next(iter(kept)), None)
        entries.append(
            replace(
                found,
                id=compared.key,
                name=compared.name,
                first=compared.first.label,
                last=compared.last.label,
            )
        )
    return Measurements(tuple(entries))


def shown(store: Store, study_id: int) -> list[tuple[str, tuple[str, ...], tuple[Figure, ...]]]:
    """For the desk: of each question its name, what may be said, and its pictures."""
    with store.session() as s:
        asked = {c.id: c for c in map(asked_in, contrasts_in(s, study_id))}
    out = []
    for found in measured(store, study_id).contrasts:
        matched = asked[found.id].level == "matched"
        drawn = (measured_difference(ENGLISH, found), response_difference(ENGLISH, found))
        lines = measured_lines(ENGLISH, found, matched=matched)
        out.append((found.name, lines, tuple(figure for figure in drawn if figure is not None)))
    for contrast in asked.values():
        if contrast.given:
            line = (
                "Not measured: it is asked given another factor, so takes of one condition differ "
                "in that too and are no retakes of one another."
            )
            out.append((contrast.name, (line,), ()))
    return out


@dataclass(frozen=True)
class _Compared:
    """A question whose last condition is held against its first, in these excerpts (keys)."""

    key: str
    name: str
    first: Condition
    last: Condition
    excerpts: tuple[str, ...]

    @property
    def sides(self) -> tuple[Condition, Condition]:
        return self.first, self.last


@dataclass(frozen=True)
class _LowCuts:
    """What is logged of R and C in the first and the last condition, or why there is no pair."""

    first: LowCut | None
    last: LowCut | None
    problem: str


Clips = Mapping[tuple[str, str], Clip]
"""By take and excerpt."""


def _mark(compared: _Compared, clips: Clips, circuits: _LowCuts) -> str:
    """What a measurement rests on, in short: another one is needed once this changes."""
    samples = [
        clips[take, key].samples_key
        for side in compared.sides
        for take in side.takes
        for key in compared.excerpts
        if (take, key) in clips
    ]
    cuts = [asdict(cut) for cut in (circuits.first, circuits.last) if cut]
    takes = [side.takes for side in compared.sides]
    asked = [*takes, compared.excerpts, samples, cuts, circuits.problem]
    return hashlib.sha256(json.dumps(asked).encode()).hexdigest()


def _measurement(
    store: Store, study_id: int, compared: _Compared, clips: Clips, circuits: _LowCuts
) -> Measurement:
    first, last, rate = _samples(store, study_id, compared)
    found = conditions.between(first, last, rate, _logged_corner_hz(circuits.first))
    bands, sentence, pairs = _bands(first, last, rate)
    gain_db, gain_retakes_db = _levels(clips, compared)
    return Measurement(
        id=compared.key,
        name=compared.name,
        first=compared.first.label,
        last=compared.last.label,
        rate=rate,
        bands=bands,
        retake_pairs=pairs,
        sentence=sentence,
        same_performance=found.residuals.same_performance,
        residual_db=_rounded(found.residuals.across_db),
        residual_retakes_db=_rounded(found.residuals.within_db),
        response=tuple(_point(band) for band in found.response),
        corner=None if found.corner is None else Corner(**asdict(found.corner)),
        circuit=_circuit(circuits, found),
        notes=None if found.notes is None else _notes(found.notes),
        gain_db=gain_db,
        gain_retakes_db=gain_retakes_db,
    )


def _samples(
    store: Store, study_id: int, compared: _Compared
) -> tuple[list[Take], list[Take], int]:
    """The clips of each take of the first and of the last condition, and their rate."""
    rate = 0
    sides: list[list[Take]] = []
    for side in compared.sides:
        takes: list[Take] = []
        for take in side.takes:
            parts = [clip_samples(store, study_id, take, key) for key in compared.excerpts]
            rate = parts[0][1]
            takes.append([samples for samples, _ in parts])
        sides.append(takes)
    return sides[0], sides[1], rate


def _low_cuts(
    factors: Sequence[Factor], logs: Mapping[str, TakeLog], compared: _Compared
) -> _LowCuts:
    parts = parts_of(factors)
    first, last = (
        low_cut_of(parts, [logs[take] for take in side.takes if take in logs])
        for side in compared.sides
    )
    return _LowCuts(first, last, parts.problem)


def _logged_corner_hz(cut: LowCut | None) -> float | None:
    return low_corner.corner_hz(cut.ohms, cut.farads) if cut else None


def _circuit(circuits: _LowCuts, found: Between) -> Circuit | NoCircuit | None:
    """What the logged R and C make, and what their tolerance alone predicts; None without them."""
    before = circuits.first
    if before is None:
        return NoCircuit(circuits.problem) if circuits.problem else None
    at_hz = found.response[0].hz if found.response else 100.0  # the lowest that sounds
    alone = low_corner.tolerance_alone(before.ohms, before.farads, before.share, at_hz)
    return Circuit(
        ohms=before.ohms,
        farads=before.farads,
        assumed=before.assumed,
        to_hz=_logged_corner_hz(circuits.last),
        **asdict(alone),
        verdict=_against_tolerance(found.corner, alone.corner_hz, alone.corners_hz),
    )


def _against_tolerance(
    corner: CornerShift | None, nominal: float, corners: tuple[float, float]
) -> str | None:
    """Whether tolerance could do what was measured: "could", "could not", None if not measured."""
    if corner is None:
        return None
    apart = corner.low_hz > corners[1] - nominal or corner.high_hz < corners[0] - nominal
    return "could not" if apart else "could"


def _levels(clips: Clips, compared: _Compared) -> tuple[float, float | None]:
    """Loudness as recorded: last over first, and the most two takes of one condition differ."""
    first, last = (
        [
            float(np.mean([_recorded(clips[take, key]) for key in compared.excerpts]))
            for take in side.takes
        ]
        for side in compared.sides
    )
    spans = [max(side) - min(side) for side in (first, last) if len(side) > 1]
    return float(np.mean(last) - np.mean(first)), max(spans, default=None)


def _recorded(clip: Clip) -> float:
    return (clip.loudness_lufs or 0.0) - clip.gain_db


def _bands(
    first: Sequence[Take], last: Sequence[Take], rate: int
) -> tuple[tuple[Band, ...], str, int]:
    """The third octaves, the sentence on them, and how many pairs of retakes stand beside."""
    whole = [[np.concatenate(take) for take in side] for side in (first, last)]
    if max(len(first), len(last)) > 1:
        beside = retake_band(whole[0], whole[1], rate)
        return tuple(Band(**asdict(band)) for band in beside.bands), beside.sentence, beside.pairs
    alone = third_octave_difference(whole[0][0], whole[1][0], rate)
    return (
        tuple(Band(band.hz, band.difference_db) for band in alone),
        "There is no retake, so nobody can say whether retakes vary as much.",
        0,
    )


def _point(band: ResponseBand) -> ResponsePoint:
    retakes = None if band.retakes_db is None else round(band.retakes_db, 4)
    return ResponsePoint(
        round(band.hz, 4), round(band.gain_db, 4), retakes, round(band.coherence, 4)
    )


def _notes(found: NoteDifference) -> Notes:
    return Notes(
        found.onsets,
        tuple(Stage(**asdict(stage)) for stage in found.stages),
        found.onset_ms,
        found.onset_retakes_ms,
    )


def _rounded(span: Span | None) -> Span | None:
    if span is None:
        return None
    lowest, median, highest = span
    return round(lowest, 4), round(median, 4), round(highest, 4)


def _kept(store: Store) -> dict[str, Measurement]:
    """What was measured before, by what it was measured from."""
    kept: dict[str, Measurement] = store.clips.setdefault("measured", {})
    return kept
