"""Watching votes come in: the page, its live stream, and the look that an anytime plan allows."""

import asyncio
import json
import signal
import threading
from collections.abc import AsyncIterator
from datetime import datetime, timedelta
from types import FrameType
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from panel.desk.security import signed_in, store_of, study_of
from panel.pages import environment, page
from panel.stages.accounts import OrganiserView
from panel.stages.conclude import vote_table, watch
from panel.stages.conclude.watch import Progress
from panel.stages.studies import StudyView

router = APIRouter(prefix="/studies/{study_code}/watch")

SignedIn = Annotated[OrganiserView, Depends(signed_in)]
OwnStudy = Annotated[StudyView, Depends(study_of)]

LOOK_EVERY_SECONDS = 1.0
COMMENT_EVERY_SECONDS = 15.0
LONGEST_SECONDS = 300.0  # then the browser connects anew, and who is signed in is asked again
MOST_BARS = 96


@router.get("")
def watch_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    if study.state == "draft":
        return page(
            request, "desk/conclude/watch_before.html", organiser=who, study=study, here="watch"
        )
    store = store_of(request)
    return page(
        request,
        "desk/conclude/watch.html",
        organiser=who,
        study=study,
        here="watch",
        shown=shown(watch.progress(store, study.id)),
        standing=vote_table.standing(store, study.id),
    )


@router.get("/look")
def look_page(request: Request, who: SignedIn, study: OwnStudy) -> Response:
    return page(
        request,
        "desk/conclude/watch_look.html",
        organiser=who,
        study=study,
        here="watch",
        looks=vote_table.interim(store_of(request), study.id),
        standing=vote_table.standing(store_of(request), study.id),
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
    """What the page and its stream show: counts as words, and the picture as SVG."""
    numbers = {
        "invited": str(progress.invited),
        "joined": str(progress.joined),
        "opened": str(progress.opened),
        "checked": str(progress.checked),
        "finished": str(progress.finished),
        "declined": str(progress.declined),
        "shared": str(progress.shared),
        "withdrew": str(progress.withdrew),
        "votes": f"{progress.votes} of {progress.planned_votes} planned",
    }
    if progress.planted is not None:
        planted = progress.planted
        numbers["planted"] = (
            f"{planted.right} of {planted.trials} right, the first {planted.listeners} "
            "listeners to finish taken together"
        )
    elif progress.has_check:
        numbers["planted"] = "shown once five listeners have finished"
    picture = environment.get_template("desk/conclude/watch_picture.html").render(
        **_bars(progress.hours), total=progress.votes
    )
    return {"numbers": numbers, "picture": picture}


def _bars(hours: tuple[tuple[datetime, int], ...]) -> dict[str, Any]:
    """Bars of equal width without gaps in time: hours, or as many hours as still fit."""
    if not hours:
        return {"bars": (), "width_hours": 1, "highest": 0}
    span = int((hours[-1][0] - hours[0][0]).total_seconds() // 3600) + 1
    width = next((w for w in (1, 3, 6, 12, 24) if span <= MOST_BARS * w), 24)
    start = hours[0][0].replace(hour=hours[0][0].hour // width * width)
    counts: dict[int, int] = {}
    for at, count in hours:
        place = int((at - start).total_seconds() // 3600) // width
        counts[place] = counts.get(place, 0) + count
    bars = tuple(
        (start + timedelta(hours=width * place), counts.get(place, 0))
        for place in range(max(counts) + 1)
    )
    return {"bars": bars, "width_hours": width, "highest": max(counts.values())}


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

        def handle(signum: int, frame: FrameType | None, before: Any = before) -> None:
            _going_down.set()
            before(signum, frame)

        signal.signal(number, handle)
