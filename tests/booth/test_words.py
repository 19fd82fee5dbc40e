"""Every catalogue says all that listeners may read, and says it with the same blanks and marks."""

import re

import pytest
from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import read_po
from marked_words import extracted

from panel import translation

BLANK = re.compile(r"%\(\w+\)s|\{\w+\}|<[^>]+>")


@pytest.fixture(scope="module")
def marked() -> Catalog:
    found = extracted()
    assert len(found) > 200
    return found


def catalogue(language: str) -> Catalog:
    with (translation.WORDS / language / "booth.po").open("rb") as source:
        return read_po(source, locale=language)


LANGUAGES = [code for code in translation.languages() if code != translation.SOURCE]


def test_there_is_more_than_one_language() -> None:
    assert "de" in LANGUAGES


def forms(message: Message) -> tuple[list[str], list[str]]:
    """Texts in English and in the other language, as lists of plural forms."""
    one = [message.id] if isinstance(message.id, str) else list(message.id)
    other = [message.string] if isinstance(message.string, str) else list(message.string)
    return one, other


@pytest.mark.parametrize("language", LANGUAGES)
def test_catalogue_is_complete(marked: Catalog, language: str) -> None:
    said = catalogue(language)
    assert {message.id for message in marked if message.id} == {m.id for m in said if m.id}
    for message in said:
        assert not message.fuzzy, message.id
        assert all(forms(message)[1]) or not message.id, message.id
        assert len(forms(message)[1]) == (1 if isinstance(message.id, str) else said.num_plurals)


@pytest.mark.parametrize("language", LANGUAGES)
def test_translations_keep_blanks_and_marks(language: str) -> None:
    """A singular may leave the number out; nothing may be put in that is not there in English."""
    for message in catalogue(language):
        if not message.id:
            continue
        english, other = forms(message)
        blanks = set(BLANK.findall(english[-1]))
        for text in other:
            assert set(BLANK.findall(text)) <= blanks, message.id
        assert set(BLANK.findall(other[-1])) == blanks, message.id


@pytest.mark.parametrize("language", LANGUAGES)
def test_scripts_get_what_they_say(marked: Catalog, language: str) -> None:
    said = set(translation.for_scripts(language))
    for message in marked:
        if message.id and any(name.endswith(".js") for name, _ in message.locations):
            assert (message.id if isinstance(message.id, str) else message.id[0]) in said
