"""How far the demo's building is: a bar on a terminal, a line a step into a file or a pipe."""

from __future__ import annotations

from rich.progress import Progress, TaskID


class Step:
    """One bar a step."""

    def __init__(self, bar: Progress) -> None:
        self._bar = bar
        self._task = TaskID(-1)

    def begin(self, what: str, total: int) -> None:
        if self._bar.disable:  # into a file or a pipe: a line a step
            self._bar.console.print(f"{what} …")
        self._task = self._bar.add_task(what, total=total)

    def advance(self) -> None:
        self._bar.advance(self._task)

    def to(self, done: int, total: int) -> None:
        self._bar.update(self._task, completed=done, total=total)
