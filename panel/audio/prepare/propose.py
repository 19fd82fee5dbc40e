"""Excerpts worth marking: stretches that sound all the way, spread over a take.

Silence is searched by pydub at 16 bits, which is right here: nothing of it is ever heard.
"""

from dataclasses import dataclass

import numpy as np

from panel.audio.align.sketch import Sketching, by_difference
from panel.audio.loudness import Meter, lufs, ungated
from panel.audio.prepare.clips import Span
from panel.audio.reading.stretches import Recording

SILENCE_S = 0.4
UNDER_DB = 30.0
LENGTHS_S = (2.0, 6.0)
"""An excerpt lasts at least the first, and is cut to the second."""


@dataclass(frozen=True)
class Proposal:
    """A stretch to listen to, and its loudness as recorded."""

    span: Span
    loudness_lufs: float


def propose(recording: Recording, most: int = 3) -> list[Proposal]:
    """Up to `most` excerpts, in order of time; none when the take holds nothing long enough.

    A stretch begins at an onset after silence, or follows on a stretch before. Those nearest to
    the take's own loudness are kept. One pass over the take, which is searched at a low rate.
    """
    from pydub import AudioSegment
    from pydub.silence import detect_nonsilent

    making = Sketching(recording.rate, by_difference(recording))
    meter = Meter(recording.rate, recording.channels)
    for block in recording.blocks():
        making.add(block)
        meter.add(block)
    mono, low_rate = making.finish().samples, round(making.rate / making.factor)
    seconds = recording.frames / recording.rate
    peak = float(np.abs(mono).max(initial=0.0))
    if peak == 0.0:
        return []
    words = np.rint(mono / peak * 32767).astype("<i2")
    segment = AudioSegment(data=words.tobytes(), sample_width=2, frame_rate=low_rate, channels=1)
    step = max(10, int(seconds))  # ms; a long take is searched more coarsely
    sounding = detect_nonsilent(
        segment,
        min_silence_len=max(int(SILENCE_S * 1000), step),
        silence_thresh=segment.dBFS - UNDER_DB,
        seek_step=step,
    )
    shortest, longest = LENGTHS_S
    spans = []
    for begin, end in sounding:
        at, end_s = begin / 1000, min(end / 1000, seconds)
        while end_s - at >= shortest:
            spans.append(Span(at, min(at + longest, end_s)))
            at += longest
    whole = lufs(meter.power())
    rated = []
    for span in spans:
        first, last = round(span.start_s * recording.rate), round(span.end_s * recording.rate)
        part = recording.span(first, min(last, recording.frames))
        rated.append(Proposal(span, ungated(part, recording.rate)))
    rated.sort(key=lambda p: (abs(p.loudness_lufs - whole) > 3, -p.span.seconds, p.span.start_s))
    return sorted(rated[:most], key=lambda p: p.span.start_s)
