"""Single-use addresses of sound: what has been made for a listener and not fetched yet.

Every loading of a trial gets new addresses. A sample is handed over once, from memory, on the
same path whatever it holds; what nobody fetches is forgotten, the oldest first.
"""

import secrets
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import TypeAlias

from panel.errors import Gone
from panel.marked import N_

MEMORY = 256 * 2**20  # bytes of sound that may wait to be fetched
LIFE = 900.0  # seconds
PER_LISTENER = 4

Secret: TypeAlias = tuple[str, tuple[int, ...]] | int | str | None
"""The answer to what is heard: of a headphone check its kind and the right parts, of practice the
right answer, None where any is."""


@dataclass
class Presentation:
    """Sound for one listener: addresses by slot; `secret` is the answer, kept on the server."""

    owner: str
    id: str
    tokens: tuple[str, ...]
    made_at: float
    waiting: dict[str, bytes]
    secret: Secret = None

    @property
    def bytes(self) -> int:
        return sum(len(wav) for wav in self.waiting.values())


@dataclass
class Presentations:
    """A bounded table of presentations, safe between threads."""

    memory: int = MEMORY
    life: float = LIFE
    per_listener: int = PER_LISTENER
    clock: Callable[[], float] = time.monotonic
    _held: dict[str, Presentation] = field(default_factory=dict)
    _by_token: dict[str, Presentation] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def put(self, owner: str, wavs: Sequence[bytes], secret: Secret = None) -> Presentation:
        """Keep the prints of one presentation under fresh addresses."""
        tokens = tuple(secrets.token_urlsafe(24) for _ in wavs)
        made = Presentation(
            owner,
            secrets.token_urlsafe(24),
            tokens,
            self.clock(),
            dict(zip(tokens, wavs, strict=True)),
            secret,
        )
        with self._lock:
            self._forget(owner, made.bytes)
            self._held[made.id] = made
            self._by_token.update(dict.fromkeys(tokens, made))
        return made

    def fetch(self, owner: str, token: str) -> bytes:
        """The sound at an address of this listener, once. Raises Gone the second time, after
        its time, and for any other address."""
        with self._lock:
            held = self._by_token.get(token)
            if held is None or held.owner != owner or token not in held.waiting:
                raise Gone(N_("This sound has been fetched already."), hint=N_("Reload the page."))
            return held.waiting.pop(token)

    def settle(self, owner: str, presentation_id: str, *, check: bool = False) -> Secret:
        """The secret of a presentation, once. Raises Gone when it is no longer known, or is a
        headphone `check` where none was meant, or the other way round."""
        with self._lock:
            held = self._held.get(presentation_id)
            if held is None or held.owner != owner or isinstance(held.secret, tuple) != check:
                raise Gone(N_("This example is no longer open."), hint=N_("Reload the page."))
            self._drop(held)
            return held.secret

    def _forget(self, owner: str, incoming: int) -> None:
        now = self.clock()
        own = [held for held in self._held.values() if held.owner == owner]
        too_many = own[: max(0, len(own) - self.per_listener + 1)]
        for held in [*too_many, *(h for h in self._held.values() if now - h.made_at > self.life)]:
            self._drop(held)
        total = incoming + sum(held.bytes for held in self._held.values())
        for held in list(self._held.values()):
            if total <= self.memory:
                break
            total -= held.bytes
            self._drop(held)

    def _drop(self, held: Presentation) -> None:
        self._held.pop(held.id, None)
        for token in held.tokens:
            self._by_token.pop(token, None)
