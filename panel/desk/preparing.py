"""Clips being prepared in the background, so that the page can show how far it is.

One job a study; kept in the process, since a job that dies with it leaves the old clips whole.
"""

import threading
from dataclasses import dataclass

from panel.errors import PanelError
from panel.stages.clips import prepare
from panel.store.session import Store


@dataclass
class Job:
    """How far the work is. `problem` is what stopped it, or None."""

    done: int = 0
    total: int = 1
    running: bool = True
    problem: PanelError | None = None


class Jobs:
    """The jobs of one running application."""

    def __init__(self) -> None:
        self._jobs: dict[int, Job] = {}
        self._lock = threading.Lock()
        # Preparing takes memory and a core; a second study waits for the first.
        self._turn = threading.Lock()

    def of(self, study_id: int) -> Job | None:
        return self._jobs.get(study_id)

    def start(self, store: Store, study_id: int) -> Job:
        """Begin preparing, unless it is under way already."""
        with self._lock:
            job = self._jobs.get(study_id)
            if job is not None and job.running:
                return job
            job = self._jobs[study_id] = Job()
        threading.Thread(
            target=self._run, args=(store, study_id, job), name="preparing", daemon=True
        ).start()
        return job

    def forget(self, study_id: int) -> None:
        """Drop a finished job whose outcome has been shown."""
        with self._lock:
            job = self._jobs.get(study_id)
            if job is not None and not job.running:
                del self._jobs[study_id]

    def _run(self, store: Store, study_id: int, job: Job) -> None:
        def progress(done: int, total: int) -> None:
            job.done, job.total = done, total

        try:
            with self._turn:
                prepare.prepare(store, study_id, progress)
        except PanelError as error:
            job.problem = error
        except Exception:
            job.problem = PanelError(
                "Something went wrong on our side; the clips that were there are unchanged.",
                hint="Try again; if it stays, tell whoever runs this server.",
            )
            raise  # the trace goes to the server's log
        finally:
            job.running = False
