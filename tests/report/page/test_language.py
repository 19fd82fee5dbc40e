"""The whole report is put into the language it is asked in, from a catalogue that has it all."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import jinja2
import pytest
from babel.messages.pofile import read_po
from made_up_language import STRANGE
from report_words import ROOT, extracted
from vote_records import as_tables

from panel import translation
from panel.prose import ENGLISH, Language
from panel.report.page.contents import context
from panel.study.measurement import Measurement

from ..simulated_study import concluded, measured
from .test_measured import FOUND, low_cut

# Units, a p, and the command that anybody can give: the same in every language.
SAME = re.compile(r"\b(dB|Hz|kHz|ms|kΩ|nF|h|p|fairhearing verdict ARCHIVE\.zip)(?=\W|$)")
PART = re.compile(r"[A-Za-z]+(?: [A-Za-z]+)*")


class Shown(HTMLParser):
    """What somebody reads or hears read on a page, text by text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.in_pictures: list[str] = []  # lines of them, where a long name is broken or cut
        self.inside = ""
        self.language: str | None = None
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.texts += [value for name, value in attrs if name == "aria-label"]
        self.inside = tag
        if tag == "html":
            self.language = dict(attrs)["lang"]

    def handle_data(self, data):
        (self.in_pictures if self.inside == "text" else self.texts).append(data)


def shown(study, say: Language, found: dict[str, Measurement]) -> Shown:
    plan, table, rows, verdict = study
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(ROOT / "web" / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    told = context(
        plan, verdict, *as_tables(table, rows), found, organiser="Larkfield Pickups",
        export_url="/x.zip", plan_url="/plan.json", say=say,
    )  # fmt: skip
    return Shown(environment.get_template("report/report.html").render(told))


@pytest.fixture(
    scope="module", params=[("fixed", 12), ("anytime", 12), ("fixed", 2)], ids=lambda how: how[0]
)
def study(request):
    kind, listeners = request.param
    return concluded(listeners, kind)


@pytest.fixture(scope="module")
def found():
    """Measurements with all that one can hold, but for what was measured in words."""
    first, second, *_ = measured()
    whole = replace(FOUND, id=first, response=low_cut().response, warnings=(), sentence="")
    return measured() | {first: whole, second: replace(measured()[second], warnings=())}


def names_of(study) -> list[str]:
    """What the organiser wrote, and codes."""
    plan, _, _, verdict = study
    names = {plan.title, plan.question, plan.sha256, "Larkfield Pickups", FOUND.first, FOUND.last}
    for contrast in plan.contrasts:
        names |= {contrast.name, contrast.attribute or "", *(c.label for c in contrast.conditions)}
    names |= {factor.name for factor in plan.factors} | {factor.unit for factor in plan.factors}
    names |= {str(value) for log in plan.logs for value in log.values.values()}
    names |= set(plan.take_labels.values()) | set(plan.excerpt_ids)
    names |= {plan.carrier} | {take.specimen for take in plan.takes}
    names |= {row.listener for row in verdict.reliability} | {FOUND.name}
    names |= {one.first for one in measured().values()} | {one.last for one in measured().values()}
    return sorted(names - {""}, key=len, reverse=True)


def test_no_english_word_is_left_but_for_names_units_and_a_command(study, found):
    page, names = shown(study, STRANGE, found), names_of(study)
    assert len(page.texts) > 300
    whole = re.compile("|".join(rf"(?<!\w){re.escape(name)}(?!\w)" for name in names), re.I)
    for text in page.texts:
        assert re.findall(r"[A-Za-z]+", SAME.sub("", whole.sub("", text))) == [], text
    assert len(page.in_pictures) > 100
    for text in page.in_pictures:
        left = SAME.sub("", whole.sub("", text))
        assert all(any(part in name for name in names) for part in PART.findall(left)), text


def test_the_page_says_which_language_it_is_in(study, found):
    german = Language(lambda text: text, lambda one, many, n: one, "de")
    assert shown(study, german, found).language == "de"
    assert shown(study, ENGLISH, found).language == "en"


def kept() -> set[str | tuple[str, ...]]:
    with (ROOT / "web" / "words" / "report.pot").open("rb") as source:
        return {message.id for message in read_po(source) if message.id}


def test_every_text_that_is_said_is_in_the_catalogue(study, found):
    asked: set[str | tuple[str, ...]] = set()

    def numbered(one: str, many: str, n: int) -> str:
        asked.add((one, many))
        return one if n == 1 else many

    def translate(text: str) -> str:
        asked.add(text)
        return text

    shown(study, Language(translate, numbered), found)
    assert len(asked) > 150
    assert asked - kept() == set()


def written(path: Path) -> set[str]:
    """Texts of more than a word in a file of Python, its documentation apart."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    apart = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        if " " in node.value.strip() and id(node) not in apart
    }


@pytest.mark.parametrize("path", sorted(ROOT.glob("panel/analysis/wording/*.py")), ids=str)
def test_no_sentence_of_a_verdict_is_missing_in_the_catalogue(path):
    """Also those that the studies above give no cause to say."""
    one_by_one = {t for text in kept() for t in ([text] if isinstance(text, str) else text)}
    assert written(path) - one_by_one == set()


def test_the_catalogue_holds_what_stands_in_the_source():
    marked = extracted()
    assert len(marked) > 600
    assert {message.id for message in marked if message.id} == kept(), (
        "renew it as “A further language” in DEVELOPERS.md says"
    )


def test_a_language_of_the_report_says_all_of_it():
    for language in translation.languages("report")[1:]:
        with (translation.WORDS / language / "report.po").open("rb") as source:
            said = read_po(source, locale=language)
        assert {message.id for message in said if message.id} == kept(), language
        for message in said:
            forms = [message.string] if isinstance(message.string, str) else message.string
            assert all(forms) or not message.id, message.id
