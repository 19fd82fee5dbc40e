"""The eavesdropper of the blinding contract: sees all traffic, decodes no sound, and guesses keys.

For each trial it writes down what passed over the wire (addresses, lengths, header lines, times
to the first and the last byte, hashes of bodies, the bytes before the sound, the server's answer
to the vote) and learns, from trials whose key it is told, which answer such traces point to: a
conditional logit over the answers of a trial, fitted by penalised maximum likelihood.
"""

import hashlib
import http.client
import json
import socket
import time
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.optimize import minimize

PLACES = ("one", "two", "three", "four")
HEADER_BYTES = 44  # a canonical WAV header; everything after it is sound and stays undecoded


@dataclass(frozen=True)
class Heard:
    """What one response looked like from outside."""

    address: str
    headers: tuple[tuple[str, str], ...]
    first_byte: float
    last_byte: float
    length: int
    sound_hash: str
    before_sound: bytes


@dataclass(frozen=True)
class Trace:
    """One trial as seen on the wire."""

    listener: int
    number: int
    choices: tuple[str, ...]
    asked: float
    asked_length: int
    samples: tuple[Heard, ...]
    voted: int
    vote: Heard
    text: bytes = field(repr=False, default=b"")


class Wire:
    """One listener's connection, with a stop watch."""

    def __init__(self, port: int) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        self.connection.connect()
        self.connection.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def close(self) -> None:
        self.connection.close()

    def ask(self, method: str, address: str, body: Any = None) -> tuple[bytes, Heard]:
        content = None if body is None else json.dumps(body)
        begun = time.perf_counter()
        self.connection.request(
            method, address, content,
            {"Content-Type": "application/json", "Accept": "application/json"},
        )  # fmt: skip
        reply = self.connection.getresponse()
        first = time.perf_counter() - begun
        raw = reply.read()
        last = time.perf_counter() - begun
        assert reply.status == 200, raw
        headers = tuple((k.lower(), v) for k, v in reply.getheaders() if k.lower() != "date")
        sound = hashlib.sha256(raw[HEADER_BYTES:]).hexdigest()
        return raw, Heard(address, headers, first, last, len(raw), sound, raw[:HEADER_BYTES])

    def trial(self, link: str, listener: int, rng: np.random.Generator) -> Trace | None:
        """Listen to the trial that is due and vote at random; None when there is none."""
        raw, asked = self.ask("POST", f"/listen/{link}/trial", {})
        dealt = json.loads(raw)
        if dealt["trial"] is None:
            return None
        samples = tuple(self.ask("GET", address)[1] for address in dealt["samples"])
        answers = dealt["trial"]["answers"]
        choice = int(rng.integers(len(answers)))
        body = {
            "client_id": str(uuid.UUID(bytes=rng.bytes(16))),
            "trial": dealt["trial"]["number"],
            "answer": answers[choice]["value"],
        }
        reply, vote = self.ask("POST", f"/listen/{link}/vote", body)
        return Trace(
            listener, dealt["trial"]["number"], tuple(a["value"] for a in answers),
            asked.last_byte, asked.length, samples, choice, vote, raw + reply,
        )  # fmt: skip


def _of_slot(heard: Heard, before: set[str]) -> list[float]:
    name = heard.address.rsplit("/", 1)[-1]
    return [
        np.log(heard.first_byte),
        np.log(heard.last_byte),
        np.log(max(heard.last_byte - heard.first_byte, 1e-7)),
        heard.length,
        len(heard.headers),
        sum(len(k) + len(v) for k, v in heard.headers),
        len(heard.address),
        ord(name[0]),
        int(hashlib.sha256(name.encode()).hexdigest()[:6], 16),
        sum(heard.before_sound),
        float(heard.sound_hash in before),
    ]


def features(trace: Trace, before: set[str]) -> np.ndarray:
    """Shape (answers, features): what speaks for each answer. Only differences between the
    answers of one trial matter to the model."""
    slots = np.array([_of_slot(heard, before) for heard in trace.samples])
    hashes = [heard.sound_hash for heard in trace.samples]
    headers = [heard.headers for heard in trace.samples]

    def alike(i: int, j: int) -> np.ndarray:
        same = [hashes[i] == hashes[j], headers[i] == headers[j]]
        return np.concatenate([-np.abs(slots[i] - slots[j]), np.array(same, float)])

    def speaks_for(choice: str) -> tuple[np.ndarray, np.ndarray]:
        """The slot an answer names against the mean of all, and who is alike if it is right."""
        nothing = np.zeros(slots.shape[1] + 2)
        if choice not in PLACES:
            return np.zeros(slots.shape[1]), alike(0, 1) if choice == "same" else nothing
        slot = PLACES.index(choice)
        own = slots[slot] - slots.mean(axis=0)
        if count == 4 and len(trace.choices) == 3:  # which one goes with the first?
            i, j = (k for k in range(1, 4) if k != slot)
            return own, alike(0, slot) + alike(i, j)
        if count == 4:  # the third is of the kind that is asked for, the fourth of the other
            return own, alike(slot, 2) + alike(1 - slot, 3)
        if count == 2:
            return own, nothing
        if len(trace.choices) == 2:  # which of two is like the one that cannot be named?
            other = next(k for k in range(3) if PLACES[k] not in trace.choices)
            return own, alike(slot, other)
        i, j = (k for k in range(3) if k != slot)  # which one is unlike the two others?
        return own, alike(i, j) - 0.5 * (alike(slot, i) + alike(slot, j))

    rows = []
    count = len(trace.samples)
    for answer, choice in enumerate(trace.choices):
        own, twin = speaks_for(choice)
        place = np.zeros(3)
        place[answer] = 1.0
        voted = float(answer == trace.voted)
        after = [voted, voted * np.log(trace.vote.last_byte), voted * trace.vote.length]
        before_all = place[:, None] * [np.log(trace.asked), trace.asked_length]
        rows.append(np.concatenate([own, twin, place, after, before_all.ravel()]))
    return np.array(rows)


def score(
    traces: Sequence[Trace], keys: Sequence[int], rng: np.random.Generator
) -> tuple[int, int]:
    """Learn from half of the trials, guess the others: (right, guessed)."""
    before: set[str] = set()
    table = []
    for trace in traces:
        table.append(features(trace, before))
        before.update(heard.sound_hash for heard in trace.samples)
    X = np.array(table)
    y = np.array(keys)
    order = rng.permutation(len(y))
    learn, guess = order[: len(y) // 2], order[len(y) // 2 :]
    centre = X[learn].mean(axis=(0, 1))
    spread = X[learn].std(axis=(0, 1))
    X = (X - centre) / np.where(spread > 0, spread, 1.0)
    rows = np.arange(len(learn))

    def loss(w: np.ndarray) -> tuple[float, np.ndarray]:
        z = X[learn] @ w
        z -= z.max(axis=1, keepdims=True)
        p = np.exp(z)
        p /= p.sum(axis=1, keepdims=True)
        off = p.copy()
        off[rows, y[learn]] -= 1.0
        gradient = np.einsum("na,naf->f", off, X[learn]) + 0.5 * w
        return float(-np.log(p[rows, y[learn]] + 1e-300).sum() + 0.25 * w @ w), gradient

    w = minimize(loss, np.zeros(X.shape[2]), jac=True, method="L-BFGS-B").x
    return int((np.argmax(X[guess] @ w, axis=1) == y[guess]).sum()), len(guess)
