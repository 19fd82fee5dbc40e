"""Trials and their sound: what is asked, under which addresses, and the sound itself.

Everything a listener's browser learns of a trial passes here. What leaves is the question, the
length, and addresses that are drawn anew; see presentations.py for what keeps them opaque.
"""

from threading import Lock
from typing import Annotated, Any

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse, Response

from panel.booth.presentations import Presentation, Presentations
from panel.pages import say_in
from panel.stages.listen import visit
from panel.stages.listen.samples import trial_prints

router = APIRouter()
_making = Lock()

# no-transform: a proxy that compressed the sound would show how alike two samples are.
SOUND_HEADERS = {"Cache-Control": "no-store, no-transform", "Accept-Ranges": "none"}


class Wanted(BaseModel):
    """The trial that is due; with a number that one, if it is due or the next after it."""

    number: Annotated[int, Field(ge=1, strict=True)] | None = None


@router.post("/listen/{code}/trial")
def trial(request: Request, code: str, wanted: Wanted) -> Response:
    store = request.app.state.store
    view = visit.next_trial(store, code, number=wanted.number, say=say_in(request))
    if view is None or not view.practised:
        return no_store({"trial": None})
    prints = trial_prints(store, code, view.number)
    made = presentations(request).put(code, prints.wavs)
    return no_store(
        {
            "trial": {
                "number": view.number,
                "total": view.total,
                "question": view.question,
                "names": view.names,
                "instruction": view.instruction if view.instructs else "",
                "answers": [
                    {"value": value, "text": text}
                    for value, text in zip(view.answers, view.answer_texts, strict=True)
                ],
                "minutes_left": view.minutes_left,
                "reasons": view.reasons,
                "words": view.words,
            },
            "rate": prints.rate,
            "frames": prints.frames,
            "samples": addresses(code, made),
        }
    )


@router.get("/listen/{code}/sound/{token}")
async def sound(request: Request, code: str, token: str) -> Response:
    wav = presentations(request).fetch(code, token)
    return Response(wav, media_type="audio/wav", headers=SOUND_HEADERS)


def presentations(request: Request) -> Presentations:
    """The table of this application, made at the first call."""
    state = request.app.state
    with _making:
        if not hasattr(state, "presentations"):
            state.presentations = Presentations()
        table: Presentations = state.presentations
        return table


def addresses(code: str, made: Presentation) -> list[str]:
    return [f"/listen/{code}/sound/{token}" for token in made.tokens]


def no_store(content: dict[str, Any]) -> Response:
    return JSONResponse(content, headers={"Cache-Control": "no-store"})
