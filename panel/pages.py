"""Pages from templates: one Jinja environment a language, for desk, booth and report."""

import json
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse

from panel import translation

WEB = Path(__file__).resolve().parent.parent / "web"
_LISTENERS = ("/listen", "/join", "/decline")  # whoever comes here is met in their own language
_IMPORT = re.compile(r'^(?:import|\}) .*?"\./([\w-]+\.js)";', re.MULTILINE)


def _as_json(words: dict[str, str | list[str]]) -> str:
    # Inside <script> nothing may look like the end of it.
    return json.dumps(words, ensure_ascii=False, sort_keys=True).replace("<", "\\u003c")


@cache
def scripts_of(name: str) -> tuple[str, ...]:
    """A module of `web/static` (say `booth/trial.js`) and all it imports, as addresses: a page that
    names them in its head has them fetched together, not each after the one that asks for it."""
    found: list[str] = []
    waiting = [name]
    while waiting:
        one = waiting.pop(0)
        if one not in found:
            found.append(one)
            source = (WEB / "static" / one).read_text(encoding="utf-8")
            folder = one.rpartition("/")[0]
            waiting += [f"{folder}/{beside}" for beside in _IMPORT.findall(source)]
    return tuple(f"/static/{one}" for one in found)


@cache
def environment_in(language: str) -> Environment:
    """The templates, with their marked texts in a language of `translation.languages()`."""
    made = Environment(
        loader=FileSystemLoader(WEB / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    made.policies["ext.i18n.trimmed"] = True
    catalogue = translation.catalogue(language)
    made.install_gettext_translations(catalogue, newstyle=True)  # type: ignore[attr-defined]
    made.globals["language"] = language
    made.globals["direction"] = translation.direction(language)
    made.globals["scripts_of"] = scripts_of
    made.globals["script_words"] = Markup(_as_json(translation.for_scripts(language)))
    return made


environment = environment_in(translation.SOURCE)


def language_of(request: Request) -> str:
    """The language to answer this request in: the listener's own, English at the desk."""
    if not request.url.path.startswith(_LISTENERS):
        return translation.SOURCE
    return translation.chosen(request.headers.get("accept-language"))


def say_in(request: Request) -> Callable[[str], str]:
    """Puts a marked text into the language of this request."""
    catalogue = translation.catalogue(language_of(request))
    return lambda text: catalogue.gettext(text) if text else ""  # "" would give the header


def page(request: Request, template: str, *, status: int = 200, **context: object) -> HTMLResponse:
    """The page `template` (say `desk/studies/list.html`), never cached."""
    made = environment_in(language_of(request)).get_template(template)
    body = made.render(request=request, **context)
    return HTMLResponse(body, status_code=status, headers={"Cache-Control": "no-store"})
