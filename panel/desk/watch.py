"""Watching votes come in: the page, its live stream, and the look that an anytime plan allows."""

import asyncio
import json
import signal
import threading
from collections.abc import AsyncIterator, Callable
from types import FrameType
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from panel.desk.security import signed_in, store_of, study_of
from panel.desk.shown.watch import correction, shown_bars, shown_counts, shown_look
from panel.desk.study_page import study_page
from panel.pages import environment
from panel.stages.accounts import OrganiserView
from panel.stages.conclude import early_look, ending, watch
from panel.stages.conclude.watch import Progress
from panel.stages.studies import StudyView

router = APIRouter(prefix="/studies/{study_code}/watch")

SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]

LOOK_EVERY_SECONDS = 1.0
COMMENT_EVERY_SECONDS = 15.0
LONGEST_SECONDS = 300.0  # then the browser connects anew, and who is signed in is asked again


@router.get("")
def watch_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    if study.state == "draft":
        return study_page(request, "conclude/watch_before.html", who, study, "watch")
    store = store_of(request)
    progress = watch.progress(store, study.id)
    return study_page(
        request,
        "conclude/watch.html",
        who,
        study,
        "watch",
        open=study.state == "open",
        counts=shown_counts(progress),
        picture=_picture(progress),
        standing=ending.standing(store, study.id),
    )


@router.get("/look")
def look_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    looks = early_look.interim(store_of(request), study.id)
    return study_page(
        request,
        "conclude/watch_look.html",
        who,
        study,
        "watch",
        looks=[shown_look(look) for look in looks],
        correction=correction(looks),
        standing=ending.standing(store_of(request), study.id),
    )


@router.get("/stream")
async def stream(request: Request, study: OwnStudy) -> Response:
    """Server-sent events: `progress` whenever a count has changed, `closed` once voting ends."""
    _listen_for_shutdown()
    store = store_of(request)

    async def events() -> AsyncIterator[str]:
        yield "retry: 3000\n\n"
        seen: tuple[int, ...] | None = None
        began = spoke = asyncio.get_running_loop().time()
        while not _going_down.is_set():
            now = asyncio.get_running_loop().time()
            pulse = await asyncio.to_thread(watch.pulse, store, study.id)
            if pulse != seen:
                seen, spoke = pulse, now
                progress = await asyncio.to_thread(watch.progress, store, study.id)
                name = "closed" if progress.closed else "progress"
                yield f"event: {name}\ndata: {json.dumps(shown(progress))}\n\n"
                if progress.closed:
                    return
            elif now - spoke >= COMMENT_EVERY_SECONDS:
                spoke = now
                yield ": still here\n\n"  # keeps proxies from closing a quiet connection
            if now - began > LONGEST_SECONDS or await request.is_disconnected():
                return
            await asyncio.sleep(LOOK_EVERY_SECONDS)

    return StreamingResponse(
        events(),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


def shown(progress: Progress) -> dict[str, Any]:
    """What the page's stream sends: counts as words, and the picture as SVG."""
    numbers = {line.key: line.count for line in shown_counts(progress)}
    return {"numbers": numbers, "picture": _picture(progress)}


def _picture(progress: Progress) -> Markup:
    template = environment.get_template("desk/conclude/watch_picture.html")
    return Markup(template.render(shown=shown_bars(progress)))


_going_down = threading.Event()
_listening = threading.Event()


def _listen_for_shutdown() -> None:
    """End streams when the server is told to stop: it waits for open connections, and only then
    tells the application. The server's own handler still runs, after ours."""
    if _listening.is_set() or threading.current_thread() is not threading.main_thread():
        return
    _listening.set()
    for number in (signal.SIGINT, signal.SIGTERM):
        before = signal.getsignal(number)
        if not callable(before):
            continue

        def handle(
            signum: int, frame: FrameType | None, before: Callable[..., None] = before
        ) -> None:
            _going_down.set()
            before(signum, frame)

        signal.signal(number, handle)
