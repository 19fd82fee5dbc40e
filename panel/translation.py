"""The languages a reader can be met in: gettext catalogues, and the choice a browser states.

English is the language of the source. Every other one is a folder of `web/words` with a catalogue
`booth.po` for listeners, `report.po` for verdict and report, or both, read when it is first wanted;
there is nothing to compile or to build.
"""

import io
import re
from collections.abc import Sequence
from functools import cache
from gettext import GNUTranslations, NullTranslations
from pathlib import Path
from typing import Literal

from babel import Locale, negotiate_locale
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from panel.prose import ENGLISH, Language

WORDS = Path(__file__).resolve().parent.parent / "web" / "words"
SOURCE = "en"
Of = Literal["booth", "report"]
_RANGE = re.compile(
    r"([A-Za-z]{1,8}(?:-[A-Za-z0-9]{1,8})*)\s*(?:;\s*q\s*=\s*([01](?:\.\d{0,3})?))?"
)
_FROM_SCRIPT = ".js"


@cache
def languages(of: Of = "booth") -> tuple[str, ...]:
    """Codes of the languages there are, English first."""
    return (SOURCE, *sorted(path.parent.name for path in WORDS.glob(f"*/{of}.po")))


@cache
def catalogue(language: str, of: Of = "booth") -> NullTranslations:
    """The translations of a language of `languages`; English gives every text back as it is.

    Raises ValueError for a language there is no catalogue for.
    """
    if language not in languages(of):
        raise ValueError(f"no catalogue for {language}")
    if language == SOURCE:
        return NullTranslations()
    compiled = io.BytesIO()
    with (WORDS / language / f"{of}.po").open("rb") as source:
        write_mo(compiled, read_po(source, locale=language))
    compiled.seek(0)
    return GNUTranslations(compiled)


def of_reports(language: str) -> Language:
    """What says the texts of verdict and report in a language of `languages("report")`."""
    if language == SOURCE:
        return ENGLISH
    words = catalogue(language, "report")
    return Language(words.gettext, words.ngettext, language)


@cache
def for_scripts(language: str) -> dict[str, str | list[str]]:
    """What the booth's scripts say in a language: text → text, or its plural forms in order."""
    if language == SOURCE:
        return {}
    with (WORDS / language / "booth.po").open("rb") as source:
        read = read_po(source, locale=language)
    return {
        (message.id if isinstance(message.id, str) else message.id[0]): (
            message.string if isinstance(message.string, str) else list(message.string or ())
        )
        for message in read
        if message.id and any(str(file).endswith(_FROM_SCRIPT) for file, _ in message.locations)
    }


def chosen(accept_language: str | None, of: Of = "booth") -> str:
    """The language to answer in, from an Accept-Language header (RFC 9110, section 12.5.4).

    English where the header is absent, malformed, or asks for nothing that there is.
    """
    there = languages(of)
    found = negotiate_locale(_preferred(accept_language or ""), there, sep="-") or SOURCE
    return next(code for code in there if code.lower() == found.lower())


def direction(language: str) -> str:
    """`ltr` or `rtl`: the way the language's script runs (from Unicode's locale data)."""
    return Locale.parse(language, sep="-").text_direction


def _preferred(header: str) -> Sequence[str]:
    ranges = []
    for place, part in enumerate(header[:1000].split(",")):
        found = _RANGE.fullmatch(part.strip())
        weight = float(found[2] or 1) if found else 0.0
        if found and weight > 0:
            ranges.append((-weight, place, found[1]))
    return [language for _, _, language in sorted(ranges)]
