"""Who is at the desk: the session cookie, and the token that every changing form carries.

The session is a signed cookie (HttpOnly, SameSite=Lax, Secure under https). The form token is
derived from a random part of it, so a page of another site can neither read nor guess it.
Before signing in, a visitor's cookie with nothing but such a random part takes its place.
"""

import hmac
from collections.abc import AsyncGenerator
from datetime import UTC, datetime

from itsdangerous import BadSignature, URLSafeTimedSerializer
from markupsafe import Markup
from starlette.datastructures import FormData
from starlette.formparsers import FormParser, MultiPartException, MultiPartParser
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from panel.errors import BadInput, KeptOnly, NotAllowed, NotSignedIn, TooLarge
from panel.pages import environment, page
from panel.settings import Settings
from panel.stages import accounts, studies
from panel.stages.accounts import OrganiserView
from panel.stages.studies import StudyView
from panel.store.sealing import new_code
from panel.store.session import Store
from panel.study.plan_reading import OF_FORMAT_1, TO_FORMAT_2

SESSION = "desk"
VISIT = "desk_visit"
LARGEST_FORM = 4 * 2**20
FILES_AT_ONCE = 20


def store_of(request: Request) -> Store:
    store: Store = request.app.state.store
    return store


def settings_of(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


def signed_in(request: Request) -> OrganiserView:
    """Dependency: the organiser who is signed in. Raises NotSignedIn."""
    session = _session(request)
    if session is None:
        raise NotSignedIn("You are not signed in.", hint="Sign in, then try again.")
    who = accounts.organiser(store_of(request), int(session["organiser"]))
    since = datetime.fromtimestamp(int(session["at"]) / 1e6, UTC)
    if who.signed_out_before is not None and since < who.signed_out_before:
        raise NotSignedIn("Your session has ended.", hint="Sign in again.")
    return who


def study_of(request: Request, study_code: str) -> StudyView:
    """Dependency: the study in the address, if it is the organiser's. Raises NotFound else, and
    KeptOnly for one that was locked under a plan of format 1."""
    study = any_study_of(request, study_code)
    if study.of_format_1:
        raise KeptOnly(OF_FORMAT_1, hint=TO_FORMAT_2)
    return study


def any_study_of(request: Request, study_code: str) -> StudyView:
    """Dependency: the same of any format."""
    who = signed_in(request)
    return studies.overview(store_of(request), who.id, study_code)


def to_kept(request: Request) -> Response:
    """Send the organiser to the one page there is of a study that is kept only."""
    return RedirectResponse(
        f"/desk/studies/{request.path_params['study_code']}/kept", status_code=303
    )


async def checked_form(request: Request) -> FormData:
    """Dependency: the form that was sent, once its token is found right. Raises NotAllowed.

    For forms without large files; see `checked_upload` for those.
    """
    return await _form(request, LARGEST_FORM)


async def checked_upload(request: Request) -> AsyncGenerator[FormData, None]:
    """Dependency like `checked_form`, for takes; closes (and so removes) what was spooled.

    The limit is for all files together: a page sends them one by one, a plain form all at once.
    """
    limit = settings_of(request).upload_limit_mib * 2**20
    form = await _form(request, FILES_AT_ONCE * limit)
    try:
        yield form
    finally:
        await form.close()


def csrf_token(request: Request) -> str:
    """The token for the forms of a page that answers `request`."""
    session = _session(request)
    root = session["form"] if session else _visit(request)
    return store_of(request).sealer.derive(f"form token {root}")


def csrf_field(request: Request) -> Markup:
    """The hidden field that carries the token."""
    return Markup('<input type="hidden" name="csrf" value="{}">').format(csrf_token(request))


def begin_session(request: Request, response: Response, organiser_id: int) -> Response:
    """Put a fresh session into `response`."""
    settings = settings_of(request)
    at = int(store_of(request).now().timestamp() * 1e6)
    value = _signer(request).dumps({"organiser": organiser_id, "at": at, "form": new_code()})
    response.set_cookie(
        SESSION,
        str(value),
        max_age=settings.session_hours * 3600,
        httponly=True,
        samesite="lax",
        secure=_secure(request),
        path="/desk",
    )
    return response


def end_session(response: Response) -> Response:
    response.delete_cookie(SESSION, path="/desk")
    return response


def visitor_page(
    request: Request, template: str, *, status: int = 200, **context: object
) -> HTMLResponse:
    """A page with a form for somebody who is not signed in."""
    request.state.visit = request.cookies.get(VISIT) or new_code()
    response = page(request, template, status=status, **context)
    response.set_cookie(
        VISIT,
        request.state.visit,
        httponly=True,
        samesite="lax",
        secure=_secure(request),
        path="/desk",
    )
    return response


def to_sign_in(request: Request) -> Response:
    """Send the visitor to the sign-in page, and back here afterwards where that makes sense."""
    wanted = request.url.path if request.method == "GET" else "/desk"
    address = "/desk/sign-in"
    if wanted.startswith("/desk/studies"):
        address += f"?next={wanted}"
    return RedirectResponse(address, status_code=303)


def own_address(wanted: str) -> str:
    """`wanted` if it is a page of the desk, the list of studies otherwise (no open redirect)."""
    plain = all(c.isalnum() or c in "/-_" for c in wanted)
    return wanted if plain and wanted.startswith("/desk/studies") else "/desk/studies"


async def _form(request: Request, limit: int) -> FormData:
    header = request.headers.get("x-csrf", "")
    if header and not _token_right(request, header):
        raise _bad_token()
    kind = request.headers.get("content-type", "")
    try:
        if kind.startswith("multipart/form-data"):
            form = await MultiPartParser(
                request.headers, _limited(request, limit), max_files=FILES_AT_ONCE, max_fields=3000
            ).parse()
        else:
            form = await FormParser(
                request.headers, _limited(request, LARGEST_FORM), max_fields=3000
            ).parse()
    except MultiPartException as error:
        raise BadInput(
            f"The form could not be read: {error.message.rstrip('.')}.",
            hint="Go back, and send it again.",
        ) from None
    sent = header or str(form.get("csrf", ""))
    if not _token_right(request, sent):
        await form.close()
        raise _bad_token()
    return form


async def _limited(request: Request, limit: int) -> AsyncGenerator[bytes, None]:
    size = 0
    async for chunk in request.stream():
        size += len(chunk)
        if size > limit:
            raise TooLarge(
                f"What was sent is larger than {limit // 2**20} MiB.", hint="Send less at a time."
            )
        yield chunk


def _token_right(request: Request, sent: str) -> bool:
    return hmac.compare_digest(sent.encode(), csrf_token(request).encode())


def _bad_token() -> NotAllowed:
    return NotAllowed(
        "This form was not made by this page, or it has become too old.",
        hint="Open the page again and send the form from there.",
    )


def _session(request: Request) -> dict[str, str | int] | None:
    value = request.cookies.get(SESSION)
    if not value:
        return None
    try:
        loaded: dict[str, str | int] = _signer(request).loads(
            value, max_age=settings_of(request).session_hours * 3600
        )
    except BadSignature:
        return None
    return loaded


def _visit(request: Request) -> str:
    made: str | None = getattr(request.state, "visit", None)
    # Without a visitor's cookie nothing that is sent may match: a fresh root each time.
    return made or request.cookies.get(VISIT) or new_code()


def _signer(request: Request) -> URLSafeTimedSerializer:
    return URLSafeTimedSerializer(store_of(request).sealer.derive("desk session"))


def _secure(request: Request) -> bool:
    return settings_of(request).address.startswith("https://")


environment.globals["csrf"] = csrf_token
environment.globals["csrf_field"] = csrf_field
