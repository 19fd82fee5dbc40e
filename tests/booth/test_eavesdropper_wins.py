"""The eavesdropper of the blinding contract can win: shown on servers that were spoiled on purpose,
without which its failure on the real one would prove nothing."""

from pathlib import Path

import pytest
from overheard import overheard, p_of

# Each takes one promise away: fresh dither, equal length, equal time (up to 120 ms more, by take).
SPOILED = {
    "same dither": """
import numpy as np
import panel.stages.listen.samples as samples
real = samples.wav24
samples.wav24 = lambda sound, rate, rng: real(sound, rate, np.random.default_rng(1))
""",
    "length by take": """
import panel.stages.listen.samples as samples
real = samples.wav24
# Crossings of zero: they grow with the pitch, which names the take.
samples.wav24 = lambda sound, rate, rng: real(sound, rate, rng) + bytes(
    2 * int(((sound[1:, 0] > 0) != (sound[:-1, 0] > 0)).sum()))
""",
    "time by take": """
import time
import panel.booth.sounds as sounds
import panel.stages.listen.samples as samples
real, fetch, slow = samples.wav24, sounds.Presentations.fetch, {}
def rendered(sound, rate, rng):
    wav = real(sound, rate, rng)
    slow[wav[3000:4000]] = 0.03 * (int(1000 * abs(sound).sum()) % 5)
    return wav
def fetched(self, owner, token):
    wav = fetch(self, owner, token)
    time.sleep(slow.pop(wav[3000:4000]))
    return wav
samples.wav24, sounds.Presentations.fetch = rendered, fetched
""",
}


@pytest.mark.parametrize(
    ("leak", "procedure"),
    [
        ("same dither", "triangle"),
        ("length by take", "abx"),
        ("length by take", "preference"),
        ("time by take", "abx"),
    ],
    ids=lambda value: value.replace(" ", "-"),
)
def test_the_eavesdropper_wins_on_a_server_that_leaks(
    tmp_path: Path, leak: str, procedure: str
) -> None:
    traces, rows, _ = overheard(
        tmp_path, votes=24, listeners=10, procedures=(procedure,), spoiling=SPOILED[leak]
    )
    p, right, guessed = p_of(traces, rows, procedure)
    print(f"{leak}, {procedure}: {right} of {guessed} right, p {p:.2g}")
    assert p < 1e-6
