"""Blinding contract (1), (2), (3), each sentence against a real server.

The keys come from the system's generator, so this test is a random experiment: on a server that
leaks nothing it fails with a probability of at most ALPHA. That the eavesdropper can win is shown
on servers that were spoiled on purpose.
"""

import re
from pathlib import Path

import numpy as np
import pytest
from eavesdropper import Trace, Wire, score
from real_server import Server
from scipy.stats import binomtest
from small_study import ALL_PROCEDURES, SmallStudy, build
from sqlmodel import select

from panel.settings import load
from panel.stages import listen
from panel.store.opening import open_store
from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Trial

ALPHA = 0.001  # over the four procedures together
CHANCE = {"abx": 1 / 2, "triangle": 1 / 3, "attribute": 1 / 2, "preference": 1 / 2}

# Each takes one promise away: fresh dither, equal length, equal time (up to 40 ms more, by take).
SPOILED = {
    "same dither": """
import numpy as np
import panel.stages.samples as samples
real = samples.wav24
samples.wav24 = lambda sound, rate, rng: real(sound, rate, np.random.default_rng(1))
""",
    "length by take": """
import panel.stages.samples as samples
real = samples.wav24
# Crossings of zero: they grow with the pitch, which names the take.
samples.wav24 = lambda sound, rate, rng: real(sound, rate, rng) + bytes(
    2 * int(((sound[1:, 0] > 0) != (sound[:-1, 0] > 0)).sum()))
""",
    "time by take": """
import time
import panel.booth.sounds as sounds
import panel.stages.samples as samples
real, fetch, slow = samples.wav24, sounds.Presentations.fetch, {}
def rendered(sound, rate, rng):
    wav = real(sound, rate, rng)
    slow[wav[3000:4000]] = 0.01 * (int(1000 * abs(sound).sum()) % 5)
    return wav
def fetched(self, owner, token):
    wav = fetch(self, owner, token)
    time.sleep(slow.pop(wav[3000:4000]))
    return wav
samples.wav24, sounds.Presentations.fetch = rendered, fetched
""",
}


def overheard(
    folder: Path, *, votes: int, listeners: int, procedures: tuple[str, ...], spoiling: str = ""
) -> tuple[list[Trace], list[Trial], SmallStudy]:
    """Let listeners vote at random through a real server; traces with the rows they belong to."""
    store = open_store(load(data=folder))
    study = build(store, procedures=procedures, votes=votes, listeners=listeners, length_s=0.1)
    for link in study.links:
        listen.consent(store, link)
        for code in procedures:
            listen.mark_done(store, link, f"practice:{code}")
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


def key_of(trial: Trial) -> int:
    """What the eavesdropper wants to know: the right answer, or which slot has which take."""
    return trial.right if trial.right is not None else int(trial.slots[0] > trial.slots[1])


def p_of(traces: list[Trace], rows: list[Trial], procedure: str) -> tuple[float, int, int]:
    chosen = [i for i, row in enumerate(rows) if row.procedure == procedure]
    right, guessed = score(
        [traces[i] for i in chosen], [key_of(rows[i]) for i in chosen], np.random.default_rng(7)
    )
    p = binomtest(right, guessed, CHANCE[procedure], alternative="greater").pvalue
    return float(p), right, guessed


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Trace], list[Trial], SmallStudy]:
    return overheard(
        tmp_path_factory.mktemp("clean"), votes=12, listeners=42, procedures=ALL_PROCEDURES
    )


def test_the_eavesdropper_scores_no_better_than_chance(
    clean: tuple[list[Trace], list[Trial], SmallStudy],
) -> None:
    """(3) "A program that sees all traffic but does not decode audio scores no better than
    chance over thousands of trials." """
    traces, rows, _ = clean
    assert len(traces) >= 2000
    found = {}
    for procedure in ALL_PROCEDURES:
        p, right, guessed = p_of(traces, rows, procedure)
        print(f"{procedure}: {right} of {guessed} right, chance {CHANCE[procedure]:.3f}, p {p:.3f}")
        found[procedure] = p
    assert min(found.values()) > ALPHA / len(found)


def test_samples_of_a_trial_differ_in_nothing_but_their_sound(
    clean: tuple[list[Trace], list[Trial], SmallStudy],
) -> None:
    """(1) "opaque, single-use addresses; equal byte length, headers, caching … no metadata"; (2)
    "No two prints of one clip are the same bytes." """
    traces, _, _ = clean
    addresses = [heard.address for trace in traces for heard in trace.samples]
    assert len(set(addresses)) == len(addresses)
    assert len({len(address) for address in addresses}) == 1
    hashes = [heard.sound_hash for trace in traces for heard in trace.samples]
    assert len(set(hashes)) == len(hashes)
    for trace in traces:
        assert len({heard.length for heard in trace.samples}) == 1
        assert len({heard.headers for heard in trace.samples}) == 1
        assert len({heard.before_sound for heard in trace.samples}) == 1
    headers = dict(traces[0].samples[0].headers)
    assert headers["cache-control"] == "no-store, no-transform"
    assert not {"etag", "last-modified", "content-disposition", "server-timing"} & set(headers)


def test_nothing_in_words_names_a_take_a_condition_or_a_role(
    clean: tuple[list[Trace], list[Trial], SmallStudy],
) -> None:
    """(1) "the key never leaves the server, not in HTML, JSON, logs, or error pages"."""
    traces, _, study = clean
    words = [take["id"] for take in study.plan["takes"]]
    words += [contrast["id"] for contrast in study.plan["contrasts"]]
    words += ["hide glue", "epoxy", "planted", "retake", "unchanged", "check"]
    pattern = re.compile("|".join(rf"\b{re.escape(word)}\b" for word in words))
    for trace in traces:
        # The addresses are random letters and could spell anything: they are looked at above.
        text = re.sub(r'"/listen/[^"]*"', '""', trace.text.decode())
        assert not pattern.search(text), text
        assert set(re.findall(r'"(\w+)":', text)) == {
            "trial", "number", "total", "question", "instruction", "answers", "value", "text",
            "minutes_left", "rate", "frames", "samples", "saved", "answered",
        }  # fmt: skip


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
