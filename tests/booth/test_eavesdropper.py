"""Blinding contract (1), (2), (3), each sentence against a real server.

The keys come from the system's generator, so this test is a random experiment: on a server that
leaks nothing it fails with a probability of at most ALPHA. That the eavesdropper can win is shown
in test_eavesdropper_wins.py.
"""

import math
import os
import re
from collections.abc import Iterator
from pathlib import Path
from shutil import disk_usage
from tempfile import TemporaryDirectory

import pytest
from eavesdropper import Trace
from overheard import CHANCE, overheard, p_of
from scipy.stats import norm
from small_study import ALL_PROCEDURES, SmallStudy

from panel.store.tables import Trial

ALPHA = 0.001  # over all procedures together
VOTES = 12  # of each procedure, from each listener
FRESH = 5000  # trials that are guessed, and as many to learn from
ROOM = 2**30  # bytes


@pytest.fixture(scope="module")
def clean(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[list[Trace], list[Trial], SmallStudy]]:
    """Half of these trials are learned from, and half are fresh."""
    listeners = math.ceil(2 * FRESH / (VOTES * len(ALL_PROCEDURES) + 1))
    memory = Path("/dev/shm")
    # In memory where there is enough: the jitter of a disk would hide a small leak in time.
    roomy = memory.is_dir() and os.access(memory, os.W_OK) and disk_usage(memory).free > ROOM
    with TemporaryDirectory(dir=memory if roomy else tmp_path_factory.mktemp("clean")) as folder:
        yield overheard(Path(folder), votes=VOTES, listeners=listeners, procedures=ALL_PROCEDURES)


def test_the_eavesdropper_scores_no_better_than_chance(
    clean: tuple[list[Trace], list[Trial], SmallStudy],
) -> None:
    """(3) "A program that sees all traffic but does not decode audio scores no better than
    chance over thousands of trials." """
    traces, rows, _ = clean
    found = {}
    hits = fresh = expected = variance = 0.0
    for procedure in ALL_PROCEDURES:
        p, right, guessed = p_of(traces, rows, procedure)
        chance = CHANCE[procedure]
        print(f"{procedure}: {right} of {guessed} right, chance {chance:.3f}, p {p:.3f}")
        found[procedure] = p
        hits, fresh = hits + right, fresh + guessed
        expected, variance = expected + guessed * chance, variance + guessed * chance * (1 - chance)
    print(f"all: {hits:.0f} of {fresh:.0f} right, where guessing gives {expected:.0f}")
    assert fresh >= FRESH
    # With thousands of trials the sum of binomials is normal as near as matters.
    found["all"] = float(norm.sf((hits - 0.5 - expected) / math.sqrt(variance)))
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
    telling = {"etag", "last-modified", "content-disposition", "content-encoding", "server-timing"}
    assert not telling & set(headers)


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
            "trial", "number", "total", "question", "names", "instruction", "answers", "value",
            "text", "minutes_left", "reasons", "words", "rate", "frames",
            "samples", "saved", "answered",
        }  # fmt: skip
