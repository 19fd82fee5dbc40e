"""Puts the web application together; nothing else."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles

from panel.booth import routes as booth
from panel.desk import routes as desk
from panel.errors import KeptOnly, NotSignedIn, PanelError
from panel.headers import SecurityHeaders
from panel.marked import N_
from panel.pages import WEB, page, say_in
from panel.post import sending
from panel.settings import Settings
from panel.stages.listen import print_pool, samples
from panel.stages.takes import leftovers
from panel.store.opening import open_store


def create_app(settings: Settings) -> FastAPI:
    """The application on `settings`; opens the store and brings the database up to date."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        store = app.state.store
        with contextlib.suppress(OSError):  # a folder that is damaged is told by doctor
            await asyncio.to_thread(leftovers.sweep, store)
        async with (
            sending.running(store, settings),
            print_pool.running(store, settings, samples.fresh_print),
        ):
            yield

    app = FastAPI(
        title="Fair Hearing", docs_url=None, redoc_url=None, openapi_url=None, lifespan=lifespan
    )
    app.state.settings = settings
    app.state.store = open_store(settings)
    app.include_router(desk.router)
    app.include_router(booth.router)
    # Only what is the same for everybody is compressed: the length of a compressed answer would
    # tell something of what is in it.
    files = GZipMiddleware(StaticFiles(directory=WEB / "static"), minimum_size=512)
    app.mount("/static", files, name="static")

    app.add_middleware(SecurityHeaders)

    @app.exception_handler(PanelError)
    async def refuse(request: Request, error: PanelError) -> Response:
        if isinstance(error, NotSignedIn) and not _wants_json(request):
            return desk.to_sign_in(request)
        if isinstance(error, KeptOnly) and not _wants_json(request):
            return desk.to_kept(request)
        return _refusal(request, error.status, error.message, error.hint)

    @app.exception_handler(RequestValidationError)
    async def refuse_form(request: Request, error: RequestValidationError) -> Response:
        fields = sorted({str(item["loc"][-1]) for item in error.errors()})
        return _refusal(
            request,
            422,
            "The request could not be read: " + ", ".join(fields) + " missing or malformed.",
            N_("Go back, check the form, and send it again."),
        )

    @app.exception_handler(HTTPException)
    async def refuse_http(request: Request, error: HTTPException) -> Response:
        words = {
            404: (
                N_("There is nothing at this address."),
                N_("Check the link for missing letters."),
            ),
            405: (
                N_("This address does not take that kind of request."),
                N_("Go back and try again."),
            ),
        }
        message, hint = words.get(error.status_code, (str(error.detail), ""))
        return _refusal(request, error.status_code, message, hint)

    @app.exception_handler(Exception)
    async def apologise(request: Request, error: Exception) -> Response:
        # The trace goes to the server's log only: a page must never carry a key or a path.
        return _refusal(
            request,
            500,
            N_("Something went wrong on our side; nothing was half-saved."),
            N_("Try again; if it stays, tell whoever runs this server."),
        )

    @app.get("/healthz")
    async def healthz() -> dict[str, str]:
        return {"status": "ok"}

    return app


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


def _refusal(request: Request, status: int, message: str, hint: str) -> Response:
    say = say_in(request)
    message, hint = say(message), say(hint)
    if _wants_json(request):
        return JSONResponse({"error": {"message": message, "hint": hint}}, status_code=status)
    return page(request, "refusal.html", status=status, message=message, hint=hint)
