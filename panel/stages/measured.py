"""What measurably differs between the conditions of each question, beside what retakes vary by."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panel.audio import difference
from panel.design.guard import Condition
from panel.report.drawing import Figure
from panel.report.figures_measured import measured_difference
from panel.stages.clip_samples import clip_samples
from panel.stages.contrasts import conditions_of, contrasts_in
from panel.stages.rows import clips_in, excerpts_in
from panel.store.session import Store


def measured(store: Store, study_id: int) -> dict[str, Any]:
    """For each question the third-octave difference of its last condition over its first.

    `{"contrasts": [{"id", "name", "from", "to", "rate", "gain_db", "sentence", "bands": [{"hz",
    "difference_db", "retake_low_db", "retake_high_db", "outside_db"}]}]}`; the retakes' entries are
    None where no condition has a retake. `gain_db` is how much louder the last condition was
    recorded, on average. All excerpts are taken together. Raises NotFound where
    a clip has not been prepared.
    """
    with store.session() as s:
        questions = [c for c in contrasts_in(s, study_id) if c.role == "question"]
        excerpts = [excerpt.key for excerpt in excerpts_in(s, study_id)]
        recorded = {
            (clip.take_key, clip.excerpt_key): clip.loudness_lufs - clip.gain_db
            for clip in clips_in(s, study_id)
            if clip.loudness_lufs is not None
        }
    entries = []
    for question in questions:
        sides = conditions_of(question.document)
        first, last = sides[0], sides[-1]
        rate = 0
        sounds: list[list[NDArray[np.float64]]] = []
        for side in (first, last):
            whole = []
            for take in side.takes:
                parts = [clip_samples(store, study_id, take, excerpt) for excerpt in excerpts]
                rate = parts[0][1]
                whole.append(np.concatenate([samples for samples, _ in parts]))
            sounds.append(whole)
        bands, sentence = _bands(sounds[0], sounds[1], rate)
        entries.append(
            {
                "id": question.key,
                "name": question.document["name"],
                "from": first.label,
                "to": last.label,
                "rate": rate,
                "gain_db": _level(recorded, last, excerpts) - _level(recorded, first, excerpts),
                "bands": bands,
                "sentence": sentence,
            }
        )
    return {"contrasts": entries}


def pictures(store: Store, study_id: int) -> list[Figure]:
    """The same as pictures, in the report's hand."""
    with store.session() as s:
        asked = {c.key: {**c.document, "id": c.key} for c in contrasts_in(s, study_id)}
    drawn = []
    for entry in measured(store, study_id)["contrasts"]:
        bands = [
            {**band, "low_db": band["retake_low_db"], "high_db": band["retake_high_db"]}
            for band in entry["bands"]
        ]
        sides = [entry["from"], entry["to"]]
        figure = measured_difference(asked[entry["id"]], {"bands": bands, "conditions": sides})
        if figure is not None:
            drawn.append(figure)
    return drawn


def _level(recorded: dict[tuple[str, str], float], side: Condition, excerpts: list[str]) -> float:
    """Mean loudness of a condition as it was recorded, in LUFS."""
    return float(np.mean([recorded[take, key] for take in side.takes for key in excerpts]))


def _bands(
    first: list[NDArray[np.float64]], last: list[NDArray[np.float64]], rate: int
) -> tuple[list[dict[str, float | None]], str]:
    if max(len(first), len(last)) > 1:
        beside = difference.retake_band(first, last, rate)
        return [
            {
                "hz": band.hz,
                "difference_db": band.difference_db,
                "retake_low_db": band.retake_low_db,
                "retake_high_db": band.retake_high_db,
                "outside_db": band.outside_db,
            }
            for band in beside.bands
        ], beside.sentence
    plain = difference.third_octave_difference(first[0], last[0], rate)
    return [
        {
            "hz": band.hz,
            "difference_db": band.difference_db,
            "retake_low_db": None,
            "retake_high_db": None,
            "outside_db": None,
        }
        for band in plain
    ], "There is no retake, so nobody can say whether retakes vary as much."
