"""What the organiser looks at and listens to while marking excerpts; nothing here is kept."""

from dataclasses import dataclass

import numpy as np

from panel.audio.prepare import propose
from panel.audio.prepare.prints import wav24
from panel.errors import BadInput
from panel.stages.clips.samples import clip_samples
from panel.stages.rows import take_in, takes_in
from panel.stages.takes import originals
from panel.store.session import Store

LONGEST_S = 120.0


@dataclass(frozen=True)
class Proposed:
    """A span that could become an excerpt, in seconds from the start of the takes."""

    start_s: float
    end_s: float


def span(store: Store, study_id: int, take_key: str, start_s: float, end_s: float) -> bytes:
    """A stretch of a take as 24-bit WAV. Raises BadInput for an empty or endless stretch."""
    if not (0 <= start_s < end_s and end_s - start_s <= LONGEST_S):
        raise BadInput(
            f"From {start_s:g} to {end_s:g} s is no stretch that can be played.",
            hint=f"Choose a beginning before the end, at most {LONGEST_S:g} s apart.",
        )
    with store.session() as s:
        take = take_in(s, study_id, take_key)
    sound = originals.opened(store, take)
    last = min(int(end_s * sound.rate), sound.frames)
    piece = sound.span(min(int(start_s * sound.rate), last), last)
    if not len(piece):
        raise BadInput("The take ends before that.", hint="Choose an earlier beginning.")
    peak = float(np.abs(piece).max())
    return wav24(piece / max(1.0, peak), sound.rate, np.random.default_rng())


def proposals(store: Store, study_id: int) -> tuple[Proposed, ...]:
    """Stretches between pauses of the first take, as far as every take reaches."""
    with store.session() as s:
        found = takes_in(s, study_id)
    if not found:
        return ()
    shortest = min(take.frames / take.rate for take in found)
    spans = [proposal.span for proposal in propose.propose(originals.opened(store, found[0]))]
    return tuple(Proposed(s.start_s, s.end_s) for s in spans if s.end_s <= shortest)


def clip(store: Store, study_id: int, take_key: str, excerpt_key: str) -> bytes:
    """A prepared clip as 24-bit WAV."""
    samples, rate = clip_samples(store, study_id, take_key, excerpt_key)
    return wav24(samples, rate, np.random.default_rng())
