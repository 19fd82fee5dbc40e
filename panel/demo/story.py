"""The time in which the demo's story plays."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from panel.store.session import Store


@dataclass
class Clock:
    """The time it is in the story."""

    now: datetime


@dataclass(frozen=True)
class StoryStore(Store):
    """A store whose time is the story's, so that forty listeners need no fortnight."""

    clock: Clock = field(default_factory=lambda: Clock(datetime.min))

    def now(self) -> datetime:
        return self.clock.now
