"""What measurably differs between the conditions of each question, beside what retakes vary by."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from panel.audio.measure import conditions, low_corner
from panel.audio.measure.conditions import Between
from panel.audio.measure.difference import third_octave_difference
from panel.audio.measure.low_corner import CornerShift
from panel.audio.measure.retakes import retake_band
from panel.report.figures.drawing import Figure
from panel.report.figures.measured import measured_difference
from panel.report.figures.response import response_difference
from panel.report.page.measured import measured_lines
from panel.stages.clips.samples import clip_samples
from panel.stages.contrasts.rows import conditions_of, contrasts_in
from panel.stages.rows import clips_in, excerpts_in, factors_in, log_of, takes_in
from panel.store.session import Store
from panel.store.tables import Clip
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog
from panel.study.parts import LowCut, low_cut_of, parts_of

Floats = NDArray[np.float64]
Take = list[Floats]

MOST_KEPT = 40


def measured(store: Store, study_id: int) -> dict[str, Any]:
    """For each question what the last condition measurably is against the first.

    `{"contrasts": [entry]}`, each entry with "id", "name", "from", "to", "rate", "gain_db" (how
    much louder the last was recorded, on average) and "gain_retakes_db" (the most two retakes
    differ by), "bands" (third octaves: "hz", "difference_db", "retake_low_db", "retake_high_db",
    "outside_db"; the retakes' are None without retakes), "sentence" about them,
    "same_performance", "residual_db" and "residual_retakes_db" ([lowest, median, highest] or
    None), "response" ([hz, gain_db, retakes_db, coherence] each), "corner" (a CornerShift or
    None), "circuit" (see `_circuit`) and "notes" (a NoteDifference or None). All excerpts are
    taken together. Raises NotFound where a clip has not been prepared.
    """
    with store.session() as s:
        # Given another factor, takes of one condition differ in that: they are no retakes.
        questions = [
            c
            for c in contrasts_in(s, study_id)
            if c.role == "question" and not c.document.get("given")
        ]
        excerpts = [excerpt.key for excerpt in excerpts_in(s, study_id)]
        clips = {(clip.take_key, clip.excerpt_key): clip for clip in clips_in(s, study_id)}
        factors = factors_in(s, study_id)
        logs = {take.key: log_of(take) for take in takes_in(s, study_id)}
    entries = []
    for question in questions:
        sides = conditions_of(question.document)
        first, last = sides[0], sides[-1]
        own = [clips[take, key] for side in (first, last) for take in side.takes for key in excerpts
               if (take, key) in clips]  # fmt: skip
        circuits = _low_cuts(factors, logs, (first, last))
        asked: list[Any] = [first.takes, last.takes, excerpts, [clip.samples_key for clip in own]]
        asked += [[asdict(cut) for cut in circuits[:2] if cut], circuits[2]]
        kept = _kept(store)
        mark = hashlib.sha256(json.dumps(asked).encode()).hexdigest()
        found = kept.get(mark)
        if found is None:
            found = _compared(store, study_id, first, last, excerpts, circuits)
            found |= _levels(clips, first, last, excerpts)
            kept[mark] = found
            while len(kept) > MOST_KEPT:
                kept.pop(next(iter(kept)), None)
        entries.append(
            {
                "id": question.key,
                "name": question.document["name"],
                "from": first.label,
                "to": last.label,
                **found,
            }
        )
    return {"contrasts": entries}


def shown(store: Store, study_id: int) -> list[tuple[str, tuple[str, ...], tuple[Figure, ...]]]:
    """For the desk: of each question its name, what may be said, and its pictures."""
    with store.session() as s:
        asked = {c.key: {**c.document, "id": c.key} for c in contrasts_in(s, study_id)}
    out = []
    for key, entry in for_report(measured(store, study_id)).items():
        contrast = asked[key]
        drawn = (measured_difference(contrast, entry), response_difference(contrast, entry))
        lines = measured_lines(entry, matched=contrast.get("level", "matched") == "matched")
        out.append((str(contrast["name"]), lines, tuple(f for f in drawn if f is not None)))
    for contrast in asked.values():
        if contrast.get("given"):
            line = (
                "Not measured: it is asked given another factor, so takes of one condition differ "
                "in that too and are no retakes of one another."
            )
            out.append((str(contrast["name"]), (line,), ()))
    return out


def for_report(found: Mapping[str, Any]) -> dict[str, Any]:
    """By question, in the shape the report reads; what an older version kept lacks some of it."""
    return {
        entry["id"]: {
            **entry,
            "conditions": [entry["from"], entry["to"]],
            "bands": [
                {
                    "hz": band["hz"],
                    "difference_db": band["difference_db"],
                    "low_db": band["retake_low_db"],
                    "high_db": band["retake_high_db"],
                }
                for band in entry["bands"]
            ],
        }
        for entry in found.get("contrasts", ())
    }


def _compared(
    store: Store,
    study_id: int,
    first: Condition,
    last: Condition,
    excerpts: Sequence[str],
    circuits: tuple[LowCut | None, LowCut | None, str],
) -> dict[str, Any]:
    rate = 0
    sides: list[list[Take]] = []
    for side in (first, last):
        takes: list[Take] = []
        for take in side.takes:
            parts = [clip_samples(store, study_id, take, excerpt) for excerpt in excerpts]
            rate = parts[0][1]
            takes.append([samples for samples, _ in parts])
        sides.append(takes)
    before, after, problem = circuits
    known = low_corner.corner_hz(before.ohms, before.farads) if before else None
    found = conditions.between(sides[0], sides[1], rate, known)
    bands, sentence, pairs = _bands(sides[0], sides[1], rate)
    return {
        "rate": rate,
        "bands": bands,
        "retake_pairs": pairs,
        "sentence": sentence,
        "same_performance": found.residuals.same_performance,
        "residual_db": _rounded(found.residuals.across_db),
        "residual_retakes_db": _rounded(found.residuals.within_db),
        "response": [
            _rounded((band.hz, band.gain_db, band.retakes_db, band.coherence))
            for band in found.response
        ],
        "corner": None if found.corner is None else asdict(found.corner),
        "circuit": _circuit(before, after, problem, found),
        "notes": None if found.notes is None else asdict(found.notes),
    }


def _low_cuts(
    factors: Sequence[Factor], logs: Mapping[str, TakeLog], sides: Sequence[Condition]
) -> tuple[LowCut | None, LowCut | None, str]:
    parts = parts_of(factors)
    before, after = (
        low_cut_of(parts, [logs[take] for take in side.takes if take in logs]) for side in sides
    )
    return before, after, parts.problem


def _circuit(
    before: LowCut | None, after: LowCut | None, problem: str, found: Between
) -> dict[str, Any] | None:
    """What the logged R and C make, and what their tolerance alone predicts.

    None without them; else "problem" (why nothing follows, or ""), "ohms", "farads", "corner_hz",
    "share", "assumed", "corners_hz" (lowest, highest), "at_hz" (the lowest that sounds),
    "change_db" (lowest, highest) and "to_hz" (the last condition's corner; None if not logged).
    """
    if before is None:
        return {"problem": problem} if problem else None
    at_hz = found.response[0].hz if found.response else 100.0
    alone = low_corner.tolerance_alone(before.ohms, before.farads, before.share, at_hz)
    to_hz = low_corner.corner_hz(after.ohms, after.farads) if after else None
    return {
        "problem": "",
        "ohms": before.ohms,
        "farads": before.farads,
        "assumed": before.assumed,
        "to_hz": to_hz,
        **asdict(alone),
        "verdict": _against_tolerance(found.corner, alone.corner_hz, alone.corners_hz),
    }


def _against_tolerance(
    corner: CornerShift | None, nominal: float, corners: tuple[float, float]
) -> str | None:
    """Whether tolerance could do what was measured: "could", "could not", None if not measured."""
    if corner is None:
        return None
    apart = corner.low_hz > corners[1] - nominal or corner.high_hz < corners[0] - nominal
    return "could not" if apart else "could"


def _levels(
    clips: Mapping[tuple[str, str], Clip], first: Condition, last: Condition, excerpts: list[str]
) -> dict[str, Any]:
    """Loudness as recorded: last over first, and the most two takes of one condition differ."""
    sides = [
        [float(np.mean([_recorded(clips[take, key]) for key in excerpts])) for take in side.takes]
        for side in (first, last)
    ]
    spans = [max(side) - min(side) for side in sides if len(side) > 1]
    return {
        "gain_db": float(np.mean(sides[1]) - np.mean(sides[0])),
        "gain_retakes_db": max(spans, default=None),
    }


def _recorded(clip: Clip) -> float:
    return (clip.loudness_lufs or 0.0) - clip.gain_db


def _bands(
    first: Sequence[Take], last: Sequence[Take], rate: int
) -> tuple[list[dict[str, float | None]], str, int]:
    whole = [[np.concatenate(take) for take in side] for side in (first, last)]
    if max(len(first), len(last)) > 1:
        beside = retake_band(whole[0], whole[1], rate)
        return [asdict(band) for band in beside.bands], beside.sentence, beside.pairs
    nothing = {"retake_low_db": None, "retake_high_db": None, "outside_db": None}
    return (
        [
            {"hz": band.hz, "difference_db": band.difference_db, **nothing}
            for band in third_octave_difference(whole[0][0], whole[1][0], rate)
        ],
        "There is no retake, so nobody can say whether retakes vary as much.",
        0,
    )


def _rounded(values: Sequence[float | None] | None) -> list[float | None] | None:
    if values is None:
        return None
    return [None if value is None else round(value, 4) for value in values]


def _kept(store: Store) -> dict[str, Any]:
    """What was measured before, by what it was measured from."""
    kept: dict[str, Any] = store.clips.setdefault("measured", {})
    return kept
