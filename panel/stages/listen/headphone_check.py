"""The headphone check of a study: which kind its plan names, its sounds, and what passes it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from panel.audio.prepare.prints import wav24
from panel.stages.listen.samples import material
from panel.stages.listeners.links import holder, locked_plan
from panel.store.session import Store

TRIALS = 6
PASS = {
    "antiphase": 5,  # Woods et al. 2017: six trials (read), pass at five (from memory)
    "huggins": 6,  # Milne et al. 2021: six trials, pass at six (from memory)
}
LOUDEST_LUFS = -20.0


@dataclass(frozen=True)
class HeadphoneCheck:
    """Six sounds of three parts each; `right` is the 0-based part to be named."""

    kind: str
    wavs: tuple[bytes, ...]
    right: tuple[int, ...]
    rate: int


def headphone_check(store: Store, code: str) -> HeadphoneCheck:
    """Six trials of the kind that the plan names, the place of each right part drawn
    independently from the system's entropy; no louder than the study's clips."""
    from panel.audio.listener_checks import headphones  # brings scipy.signal: only where it is used

    with store.session() as s:
        kind = locked_plan(s, holder(s, code)[1]).exclusion.headphone_check
    make: Callable[..., headphones.HeadphoneTrial] = {
        "antiphase": headphones.antiphase,
        "huggins": headphones.huggins,
    }[kind]
    rate, loudness = material(store, code)
    rng = np.random.default_rng()
    trials = [make(rng, rate, min(loudness, LOUDEST_LUFS)) for _ in range(TRIALS)]
    return HeadphoneCheck(
        kind,
        tuple(wav24(trial.samples, rate, rng) for trial in trials),
        tuple(trial.right for trial in trials),
        rate,
    )


def passed(kind: str, right: int) -> bool:
    """Whether so many right answers pass that kind of check."""
    return right >= PASS[kind]
