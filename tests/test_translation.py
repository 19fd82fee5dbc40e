"""The listener's language: which is chosen, and what a catalogue gives."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from panel import prose, translation


@pytest.fixture
def german(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A small catalogue in place of the real ones."""
    (tmp_path / "de").mkdir()
    (tmp_path / "de" / "booth.po").write_text(
        'msgid ""\nmsgstr ""\n'
        '"Content-Type: text/plain; charset=utf-8\\n"\n'
        '"Plural-Forms: nplurals=2; plural=(n != 1);\\n"\n\n'
        '#: web/templates/booth/thanks.html:4\nmsgid "Thank you"\nmsgstr "Vielen Dank"\n\n'
        '#: web/static/booth/trial.js:3\nmsgid "saved"\nmsgstr "gespeichert"\n\n'
        "#: web/static/booth/trial.js:9\n"
        'msgid "about {count} minute left"\nmsgid_plural "about {count} minutes left"\n'
        'msgstr[0] "noch etwa {count} Minute"\nmsgstr[1] "noch etwa {count} Minuten"\n',
        encoding="utf-8",
    )
    monkeypatch.setattr(translation, "WORDS", tmp_path)
    for kept in (translation.languages, translation.catalogue, translation.for_scripts):
        kept.cache_clear()
    yield
    for kept in (translation.languages, translation.catalogue, translation.for_scripts):
        kept.cache_clear()


# RFC 9110, section 12.5.4: weights rank, q=0 excludes, no header means no preference.
@pytest.mark.parametrize(
    ("header", "language"),
    [
        (None, "en"),
        ("", "en"),
        ("de", "de"),
        ("de-AT", "de"),
        ("DE", "de"),
        ("fr, de;q=0.5", "de"),
        ("en;q=0.4, de;q=0.8", "de"),
        ("de;q=0.3, en-GB;q=0.9", "en"),
        ("de;q=0, en", "en"),
        ("*", "en"),
        ("nonsense;;;q=x, \x00", "en"),
        ("../../etc/passwd", "en"),
        ("x" * 100_000, "en"),
    ],
)
def test_choice_follows_the_browser(german: None, header: str | None, language: str) -> None:
    assert translation.chosen(header) == language


def test_catalogue_gives_texts_and_plurals(german: None) -> None:
    words = translation.catalogue("de")
    assert words.gettext("Thank you") == "Vielen Dank"
    assert words.gettext("not in it") == "not in it"
    assert [
        words.ngettext("about {count} minute left", "about {count} minutes left", n) for n in (1, 2)
    ] == ["noch etwa {count} Minute", "noch etwa {count} Minuten"]
    assert translation.catalogue("en").gettext("Thank you") == "Thank you"
    with pytest.raises(ValueError, match="no catalogue for fr"):
        translation.catalogue("fr")


def test_scripts_get_their_own_texts_only(german: None) -> None:
    assert translation.for_scripts("de") == {
        "saved": "gespeichert",
        "about {count} minute left": ["noch etwa {count} Minute", "noch etwa {count} Minuten"],
    }
    assert translation.for_scripts("en") == {}


def test_a_report_is_said_from_a_catalogue_of_its_own(german: None) -> None:
    (translation.WORDS / "de" / "report.po").write_text(
        'msgid ""\nmsgstr ""\n'
        '"Content-Type: text/plain; charset=utf-8\\n"\n'
        '"Plural-Forms: nplurals=2; plural=(n != 1);\\n"\n\n'
        'msgid "about 1 in {times}"\nmsgstr "etwa 1 von {times}"\n\n'
        'msgid "{n} vote"\nmsgid_plural "{n} votes"\n'
        'msgstr[0] "{n} Stimme"\nmsgstr[1] "{n} Stimmen"\n',
        encoding="utf-8",
    )
    assert translation.languages("report") == ("en", "de")
    assert translation.chosen("de-AT, en;q=0.5", "report") == "de"
    say = translation.of_reports("de")
    assert say.code == "de"
    assert prose.chance_of(1 / 35, say) == "etwa 1 von 35"
    assert [say.count(n, "{n} vote", "{n} votes") for n in (1, 2)] == ["1 Stimme", "2 Stimmen"]
    assert translation.of_reports("en") is prose.ENGLISH
    with pytest.raises(ValueError, match="no catalogue for fr"):
        translation.of_reports("fr")


def test_direction_is_that_of_the_script() -> None:
    # Unicode CLDR, layout/orientation: Arabic and Hebrew run right to left.
    assert [translation.direction(code) for code in ("en", "de", "ar", "he")] == [
        "ltr", "ltr", "rtl", "rtl",
    ]  # fmt: skip
