"""What measurably differs between the conditions of each question, beside what retakes vary by."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from panel.audio import difference
from panel.stages.clip_samples import clip_samples
from panel.stages.contrasts import conditions_of, contrasts_in
from panel.stages.rows import excerpts_in
from panel.store.session import Store


def measured(store: Store, study_id: int) -> dict[str, Any]:
    """For each question the third-octave difference of its last condition over its first.

    `{"contrasts": [{"id", "name", "from", "to", "rate", "bands": [{"hz", "difference_db",
    "retake_low_db", "retake_high_db", "outside_db"}], "sentence"}]}`; the retakes' entries are
    None where no condition has a retake. All excerpts are taken together. Raises NotFound where
    a clip has not been prepared.
    """
    with store.session() as s:
        questions = [c for c in contrasts_in(s, study_id) if c.role == "question"]
        excerpts = [excerpt.key for excerpt in excerpts_in(s, study_id)]
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
                "bands": bands,
                "sentence": sentence,
            }
        )
    return {"contrasts": entries}


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
