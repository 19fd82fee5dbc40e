"""Before the trials: the level reference, the headphone check, the practice, as JSON and sound."""

from typing import Annotated

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field
from starlette.responses import Response

from panel.booth.sounds import addresses, no_store, presentations
from panel.pages import say_in
from panel.stages.listen import check_results, headphone_check, rehearse

router = APIRouter()

Place = Annotated[int, Field(ge=0, le=2, strict=True)]


class CheckAnswers(BaseModel):
    id: str
    answers: Annotated[list[Place], Field(min_length=6, max_length=6)]


class Example(BaseModel):
    kind: str


class ExampleAnswer(BaseModel):
    id: str
    answer: Annotated[str, Field(max_length=20)]


@router.post("/listen/{code}/reference")
def reference(request: Request, code: str) -> Response:
    wav, rate = rehearse.level_reference(request.app.state.store, code)
    made = presentations(request).put(code, [wav])
    return no_store({"rate": rate, "samples": addresses(code, made)})


@router.post("/listen/{code}/check")
def check(request: Request, code: str) -> Response:
    made = headphone_check.headphone_check(request.app.state.store, code)
    held = presentations(request).put(code, made.wavs, secret=(made.kind, made.right))
    return no_store({"id": held.id, "rate": made.rate, "samples": addresses(code, held)})


@router.post("/listen/{code}/check/answers")
def check_answers(request: Request, code: str, given: CheckAnswers) -> Response:
    secret = presentations(request).settle(code, given.id, check=True)
    assert isinstance(secret, tuple)
    kind, wanted = secret
    right = sum(a == b for a, b in zip(given.answers, wanted, strict=True))
    outcome = check_results.conclude_check(
        request.app.state.store,
        code,
        passed=headphone_check.passed(kind, right),
        right=right,
        of=len(wanted),
        kind=kind,
    )
    return no_store({"outcome": outcome})


@router.post("/listen/{code}/practice")
def practice(request: Request, code: str, wanted: Example) -> Response:
    made = rehearse.practice(request.app.state.store, code, wanted.kind, say=say_in(request))
    held = presentations(request).put(code, made.prints.wavs, secret=made.right)
    return no_store(
        {
            "id": held.id,
            "question": made.question,
            "names": made.names,
            "answers": [
                {"value": value, "text": text}
                for value, text in zip(made.answers, made.answer_texts, strict=True)
            ],
            "rate": made.prints.rate,
            "frames": made.prints.frames,
            "samples": addresses(code, held),
        }
    )


@router.post("/listen/{code}/practice/answer")
def practice_answer(request: Request, code: str, given: ExampleAnswer) -> Response:
    right = presentations(request).settle(code, given.id)
    return no_store({"right": right, "correct": None if right is None else right == given.answer})
