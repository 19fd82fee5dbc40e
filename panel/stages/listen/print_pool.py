"""Prints made ahead: so many of each clip that a trial need not wait for its own to be rendered.

A print that is drawn is gone: it is deleted before anything of it leaves, and what lies there when
the server starts is thrown away, so no bytes are ever handed out twice.

Whether a trial is served from here must not tell what it holds. So it depends on nothing but how
many trials of the excerpt were served since its shelf was filled: filled for n trials, a shelf
has 2 n prints of every clip, enough for any n trials, as none holds a clip more than twice. A
trial gets all of its prints from here, or none.
"""

import contextlib
import logging
import os
import secrets
import shutil
import threading
import time
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sqlmodel import col, select

from panel.audio.sound import Audio
from panel.settings import Settings
from panel.stages.clips.samples import read_clip
from panel.stages.listeners.links import locked_plan, of_format_1
from panel.stages.rows import clips_in
from panel.store.session import Store
from panel.store.tables import Clip, Study

log = logging.getLogger(__name__)

MOST_ALIKE = 2
"""Slots of one trial that hold the same clip, at most, in every procedure."""

MOST_TRIALS = 12
LEAST_FREE = 2**30
LOOK_EVERY_S = 20.0
AFTER_FAILURE_S = 60.0

Render = Callable[[Audio, int], bytes]
"""Makes a print: samples (frames, channels) and rate in Hz to a WAV with dither of its own."""


@dataclass(frozen=True)
class Prints:
    """WAV files by slot, equal in length; `rate` in Hz, `frames` in each."""

    wavs: tuple[bytes, ...]
    rate: int
    frames: int


@dataclass
class _Shelf:
    """The prints of one excerpt of a study, by take.

    `trials`: how many more it is good for; `filled_for`: how many it was, when last filled.
    """

    clips: dict[str, str]
    rate: int
    frames: int
    print_bytes: int
    waiting: dict[str, deque[Path]]
    trials: int = 0
    filled_for: int = 0
    served: int = 0

    @property
    def bytes_a_trial(self) -> int:
        return MOST_ALIKE * len(self.clips) * self.print_bytes


@dataclass
class PrintPool:
    """The prints of all open studies, within `limit` bytes of disk, safe between threads."""

    store: Store
    limit: int
    render: Render
    most_trials: int = MOST_TRIALS
    least_free: int = LEAST_FREE
    _shelves: dict[tuple[int, str], _Shelf] = field(default_factory=dict)
    _used: dict[int, float] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _wake: threading.Event = field(default_factory=threading.Event)
    _stop: threading.Event = field(default_factory=threading.Event)

    @property
    def folder(self) -> Path:
        return self.store.files.root / "prints"

    def draw(self, study_id: int, excerpt_key: str, slots: Sequence[str]) -> Prints | None:
        """Prints for the slots (take keys) of one trial, each once and never again; or None,
        where the shelf has run dry or there is none: then they are to be made at once."""
        with self._lock:
            self._used[study_id] = time.monotonic()
            shelf = self._shelves.get((study_id, excerpt_key))
            known = shelf is not None and all(take in shelf.clips for take in slots)
            if shelf is None or not known or max(Counter(slots).values()) > MOST_ALIKE:
                self._wake.set()
                return None
            if shelf.trials < 1:
                self._wake.set()
                return None
            shelf.trials -= 1
            shelf.served += 1
            paths = [shelf.waiting[take].popleft() for take in slots]
            if 2 * shelf.trials <= self.most_trials:
                self._wake.set()
        wavs: dict[int, bytes] = {}
        order = list(range(len(paths)))
        secrets.SystemRandom().shuffle(order)
        try:
            for slot in order:
                wavs[slot] = paths[slot].read_bytes()
        except OSError:
            wavs.clear()
        # All are spent, whatever happened: they go before anything of them leaves.
        for path in paths:
            path.unlink(missing_ok=True)
        if len(wavs) < len(paths):
            return None
        return Prints(tuple(wavs[slot] for slot in range(len(paths))), shelf.rate, shelf.frames)

    def fill(self) -> None:
        """Bring the shelves of all open studies up to what there is room for; drop the others.

        Raises OSError when the disk fails; what has been made till then can be drawn.
        """
        wanted = self._wanted()
        with self._lock:
            for place in [place for place in self._shelves if place not in wanted]:
                self._drop(place)
            for place, shelf in wanted.items():
                self._shelves.setdefault(place, shelf)
            shelves = [self._shelves[place] for place in wanted]
            needed = sum(shelf.bytes_a_trial for shelf in shelves)
            trials = min(self.most_trials, self.limit // needed) if needed else 0
            for shelf in shelves:
                self._trim(shelf, trials)
        self.folder.mkdir(parents=True, exist_ok=True)
        # First a little for everybody, then the rest.
        for target in sorted({min(2, trials), trials}):
            for shelf in shelves:
                low = shelf.filled_for < target or 2 * shelf.trials <= target
                if low and not self._fill(shelf, target):
                    return

    def empty(self) -> None:
        """Throw away every print there is on the disk, whoever made it."""
        with self._lock:
            self._shelves.clear()
        shutil.rmtree(self.folder, ignore_errors=True)

    def keep_filled(self) -> None:
        """Fill until `stop`; a failure costs the pool, never a trial."""
        with contextlib.suppress(AttributeError, OSError):  # Linux: a thread has its own niceness
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 10)
        while not self._stop.is_set():
            pause = LOOK_EVERY_S
            self._wake.clear()
            try:
                self.fill()
            except Exception as error:
                # The name alone: a path would name a take.
                log.warning("Samples could not be made ahead: %s.", type(error).__name__)
                self._stop.wait(AFTER_FAILURE_S)
            self._wake.wait(pause)

    def stop(self) -> None:
        self._stop.set()
        self._wake.set()

    def _wanted(self) -> dict[tuple[int, str], _Shelf]:
        """A shelf for each excerpt of the open studies, the ones listened to last first, as far
        as there is room for two trials of each."""
        found: dict[tuple[int, str], _Shelf] = {}
        room = self.limit // 2
        with self.store.session() as s:
            studies = s.exec(
                select(Study)
                .where(col(Study.locked_at).is_not(None), col(Study.closed_at).is_(None))
                .order_by(col(Study.locked_at).desc())
            ).all()
            with self._lock:
                studies = sorted(studies, key=lambda study: -self._used.get(study.id or 0, 0.0))
            for study in studies:
                if of_format_1(s, study):
                    continue
                study_id = study.id or 0
                in_trials = {
                    take for contrast in locked_plan(s, study).served for take in contrast.side_of
                }
                by_excerpt: dict[str, list[Clip]] = {}
                for clip in clips_in(s, study_id):
                    if clip.take_key in in_trials:
                        by_excerpt.setdefault(clip.excerpt_key, []).append(clip)
                for excerpt_key, clips in by_excerpt.items():
                    shelf = _shelf(clips)
                    if shelf is not None and shelf.bytes_a_trial <= room:
                        room -= shelf.bytes_a_trial
                        found[study_id, excerpt_key] = shelf
        return found

    def _fill(self, shelf: _Shelf, trials: int) -> bool:
        """Make what is missing for so many trials; False when told to stop, or without room."""
        with self._lock:
            begun = shelf.served
        for take, key in shelf.clips.items():
            with self._lock:
                missing = MOST_ALIKE * trials - len(shelf.waiting[take])
            if missing <= 0:
                continue
            samples = read_clip(self.store, key)
            for _ in range(missing):
                free = shutil.disk_usage(self.folder).free
                if self._stop.is_set() or free < self.least_free + shelf.print_bytes:
                    return False
                path = self.folder / secrets.token_hex(12)
                path.write_bytes(self.render(samples, shelf.rate))
                with self._lock:
                    shelf.waiting[take].append(path)
        with self._lock:
            # Every clip had 2 n prints at some time since `begun`; each trial since took two of
            # it at most.
            shelf.trials = max(0, trials - (shelf.served - begun))
            shelf.filled_for = trials
        return True

    def _trim(self, shelf: _Shelf, trials: int) -> None:
        shelf.trials = min(shelf.trials, trials)
        shelf.filled_for = min(shelf.filled_for, trials)
        for waiting in shelf.waiting.values():
            while len(waiting) > MOST_ALIKE * trials:
                waiting.pop().unlink(missing_ok=True)

    def _drop(self, place: tuple[int, str]) -> None:
        for waiting in self._shelves.pop(place).waiting.values():
            for path in waiting:
                path.unlink(missing_ok=True)


def _shelf(clips: Sequence[Clip]) -> _Shelf | None:
    """An empty shelf; none for clips that are not alike, which must not be served at all."""
    if len({(clip.rate, clip.channels, clip.frames) for clip in clips}) != 1:
        return None
    first = clips[0]
    return _Shelf(
        clips={clip.take_key: clip.samples_key for clip in clips},
        rate=first.rate,
        frames=first.frames,
        print_bytes=first.frames * first.channels * 3 + 45,  # 24 bits, header, a pad byte
        waiting={clip.take_key: deque() for clip in clips},
    )


def pool_of(store: Store) -> PrintPool | None:
    """The pool that runs beside this store, if one does."""
    pool: PrintPool | None = store.clips.get("pool")
    return pool


@contextlib.asynccontextmanager
async def running(store: Store, settings: Settings, render: Render) -> AsyncIterator[None]:
    """Keep prints made ahead while the application runs; none where the settings allow no room."""
    pool = PrintPool(store, settings.prints_limit_mib * 2**20, render)
    pool.empty()
    if not pool.limit:
        yield
        return
    thread = threading.Thread(target=pool.keep_filled, name="prints", daemon=True)
    store.clips["pool"] = pool
    thread.start()
    try:
        yield
    finally:
        store.clips.pop("pool", None)
        pool.stop()
        thread.join(timeout=10)
        pool.empty()
