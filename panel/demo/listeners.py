"""Simulated listeners with known ears: Thurstone's model, decided as the textbooks say.

Each take has a place on a few perceptual axes; a listener has a sensitivity to each axis. For this
listener a take lies at Σ sensitivity × place, and every hearing of it adds fresh noise of standard
deviation 1, so that the distance of two takes *is* d′. How an answer follows from what was heard
is each procedure's own (panel.procedures): the rules whose share right the curves give.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from panel.procedures.base import ANSWERS, Purpose
from panel.procedures.catalogue import procedure

Place = Mapping[str, float]  # axis -> coordinate of a take; what a take lacks counts as 0

OWN = "own"  # the axis of what re-recording alone changes, heard by everybody alike
TREBLE = "treble"
BASS = "bass"


@dataclass(frozen=True)
class SimulatedListener:
    """One listener. `hears`: sensitivity by axis. `likes`: liking by axis, for preference.

    `lapse`: share of trials answered by a blind guess; `lean`: how much, in units of perceptual
    noise, the first sample is favoured; `pace_s`: typical seconds a trial.
    """

    hears: Mapping[str, float]
    likes: Mapping[str, float] = field(default_factory=dict)
    lapse: float = 0.0
    lean: float = 0.0
    pace_s: float = 20.0
    playback: str = "headphones"
    sample_rate: int | None = 48_000
    headphone_check: str = "passed"


def answer(
    rng: np.random.Generator,
    listener: SimulatedListener,
    code: str,
    slots: Sequence[Place],
    axis: str | None = None,
) -> int:
    """The answer of `listener`, as its place in ANSWERS, to a trial with takes at `slots`.

    `axis` is what an attribute question asks for. Raises BadInput for an unknown procedure.
    """
    kind = procedure(code)
    if rng.random() < listener.lapse:
        return ANSWERS.index(kind.answers[int(rng.integers(len(kind.answers)))])
    weights = _weights(listener, kind.purpose, axis)
    heard = [
        sum(weights.get(name, 0.0) * place for name, place in slot.items()) + rng.normal()
        for slot in slots[: kind.samples]
    ]
    return kind.decide(heard, listener.lean)


def _weights(
    listener: SimulatedListener, purpose: Purpose, axis: str | None
) -> Mapping[str, float]:
    """What each axis adds to what is judged."""
    if purpose == "liking":
        return {
            name: listener.hears.get(name, 0.0) * liking for name, liking in listener.likes.items()
        }
    if purpose == "direction" and axis is not None:
        # What re-recording changes points anywhere; little of it along the axis that is asked.
        return {axis: listener.hears.get(axis, 0.0), OWN: 0.5 * listener.hears.get(OWN, 0.0)}
    return listener.hears


def panel_of(rng: np.random.Generator, size: int = 40) -> list[SimulatedListener]:
    """The demo's listeners. Shares of the panel are fixed, who belongs to which is drawn.

    Seventeen in twenty hear the treble, two in five the bass; sensitivities are log-normal
    around 1 with a spread of 0.35. Two in forty hardly listen.
    """
    hear_treble = _drawn(rng, size, 0.85)
    hear_bass = _drawn(rng, size, 0.4)
    careless = _drawn(rng, size, 0.05)
    earphones = _drawn(rng, size, 0.25)
    failing = _drawn(rng, size, 0.1)
    people = []
    for index in range(size):
        acuity = float(np.exp(rng.normal(0.0, 0.35)))
        people.append(
            SimulatedListener(
                hears={
                    TREBLE: acuity if hear_treble[index] else 0.0,
                    BASS: acuity if hear_bass[index] else 0.0,
                    OWN: 1.0,
                },
                likes={TREBLE: float(rng.normal(0.8, 0.3)), OWN: float(rng.normal(0.0, 0.3))},
                lapse=0.9 if careless[index] else float(rng.uniform(0.0, 0.04)),
                lean=float(rng.normal(0.0, 0.2)),
                pace_s=6.0 if careless[index] else float(rng.uniform(14.0, 30.0)),
                playback="loudspeakers"
                if failing[index]
                else "earphones"
                if earphones[index]
                else "headphones",
                sample_rate=int(rng.choice([44_100, 48_000], p=[0.3, 0.7])),
                headphone_check="failed" if failing[index] else "passed",
            )
        )
    return people


def _drawn(rng: np.random.Generator, size: int, share: float) -> list[bool]:
    """`share` of `size` places, rounded, drawn at random."""
    chosen = set(rng.permutation(size)[: round(share * size)].tolist())
    return [index in chosen for index in range(size)]
