"""Votes over HTTP: one route, and its answer is sent only once the vote is on the disk."""

from typing import Annotated

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field
from starlette.responses import Response

from panel.booth.sounds import no_store
from panel.stages.listen import votes_in
from panel.stages.listen.votes_in import Note

router = APIRouter()


class VoteIn(BaseModel):
    client_id: str
    trial: Annotated[int, Field(strict=True)]
    answer: str
    plays: Annotated[int, Field(strict=True)] = 0
    seconds: Annotated[int, Field(strict=True)] = 0
    notes: dict[str, Note] = {}
    reason: Annotated[str, Field(max_length=4000)] = ""
    ticked: Annotated[list[str], Field(max_length=50)] = []


@router.post("/listen/{code}/vote")
def vote(request: Request, code: str, given: VoteIn) -> Response:
    receipt = votes_in.vote(
        request.app.state.store,
        code,
        given.trial,
        given.client_id,
        given.answer,
        given.plays,
        given.seconds,
        given.notes,
        reason=given.reason,
        ticked=given.ticked,
    )
    return no_store({"saved": receipt.trial, "answered": receipt.answered, "total": receipt.total})
