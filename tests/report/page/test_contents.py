"""The report page: whatever the study, it renders, escapes, and claims no more than the verdict."""

from __future__ import annotations

import dataclasses
import itertools
import re
from html.parser import HTMLParser
from pathlib import Path

import jinja2
import pytest
from laid_out import laid_out
from vote_records import as_tables

from panel.analysis.verdict import conclude
from panel.design.plan import build
from panel.report.page.contents import context, lines_of
from panel.study.conditions import Condition
from panel.study.factors import Factor
from panel.study.measurement import Band, Measurement
from panel.study.plan import Contrast, PlanExcerpt, PlanTake
from panel.study.plan_reading import read_plan

from ..simulated_study import concluded, measured, plan, votes

TEMPLATES = Path(__file__).parents[3] / "web" / "templates"
EVIL = "<script>alert('x')</script> & \"quoted\" ]]> \x07"


def concluding(document, table, rows):
    """(plan, verdict) of a plan's document."""
    read = read_plan(document)
    return read, conclude(read, *as_tables(table, rows))


def render(document, verdict, table, rows, **more):
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    template = environment.get_template("report/report.html")
    return template.render(**context(document, verdict, *as_tables(table, rows), **more))


class Outline(HTMLParser):
    """Collects tags, ids and text; complains about a tag that is closed but was not opened."""

    VOID = ("meta", "link", "br", "hr", "img", "input")

    def __init__(self, html):
        super().__init__()
        self.tags, self.ids, self.open, self.attrs, self.text = [], [], [], [], []
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attrs.append((tag, dict(attrs)))
        self.ids += [value for name, value in attrs if name == "id"]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attrs.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)

    @property
    def words(self):
        return " ".join(" ".join(self.text).split())


@pytest.fixture(scope="session")
def page(study):
    document, table, rows, verdict = study
    return Outline(
        render(document, verdict, table, rows, measured=measured(), organiser="Larkfield Pickups",
               dates="votes 3–17 May", export_url="/study/x.zip", plan_url="/study/plan.json")
    )  # fmt: skip


def test_answers_then_limits_then_pictures_then_what_is_looked_up(page, study):
    words, told = page.words, laid_out(study[0], study[3])
    order = [words.index(text) for text in (
        told["headline"], "of answers right", "How many can hear it?",
        "Could it be just another recording?", "How sure is this?", "What must not be claimed?",
        "Step by step, and every number", told["limits"][0], "Each comparison against chance",
        "Each listener, by random code", told["plan_sha256"], "The methods paragraph",
    )]  # fmt: skip
    assert order == sorted(order)


def test_every_contrast_stands_there_with_its_sentence_and_reasons(page, study):
    told = laid_out(study[0], study[3])
    for entry in told["contrasts"]:
        for text in (entry["name"], entry["sentence"], *entry["reasons"], *entry["next"]):
            assert " ".join(text.split()) in page.words
    for text in (*told["limits"], told["methods"]):
        assert " ".join(text.split()) in page.words


def test_every_number_of_every_contrast_is_on_the_page(page, study):
    shown = context(*study[:1], study[3], *as_tables(*study[1:3]))["report"]
    sections = [s for top in shown.sections for s in (top, *top.controls)]
    assert len(sections) == len(study[3].contrasts)
    for section in sections:
        for term, value in section.numbers:
            assert " ".join(f"{term} {value}".split()) in page.words


def test_what_is_folded_has_a_summary_and_the_answers_are_not_folded(page, study):
    assert page.tags.count("details") == page.tags.count("summary")
    html = render(study[0], study[3], *study[1:3])
    open_text = re.sub(r"(?s)<details.*?</details>", "", re.sub(r"(?s)<svg.*?</svg>", "", html))
    for text in (
        *laid_out(study[0], study[3])["limits"],
        "What must not be claimed?",
        "guessing gives",
    ):
        assert text in open_text.replace("&#39;", "'")


def test_ids_are_unique_and_labels_point_at_them(page):
    assert len(set(page.ids)) == len(page.ids)
    for _, attrs in page.attrs:
        for target in (attrs.get("aria-labelledby") or "").split():
            assert target in page.ids


def test_the_policy_of_the_site_is_kept(page):
    assert "script" not in page.tags
    assert "style" not in page.tags
    assert not any("style" in attrs for _, attrs in page.attrs)
    assert not any(name.startswith("on") for _, attrs in page.attrs for name in attrs)
    for tag, attrs in page.attrs:
        if tag == "link":
            assert attrs["href"].startswith("/static/")


def test_headings_go_down_step_by_step(page):
    levels = [int(tag[1]) for tag in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))


def test_tables_name_their_columns(page):
    assert page.tags.count("table") > 10
    headers = [attrs for tag, attrs in page.attrs if tag == "th"]
    assert headers
    assert all(attrs.get("scope") in ("col", "row") for attrs in headers)


def test_no_p_is_called_the_chance_that_nothing_is_heard(page):
    # A p is the chance of such votes if all guess, not the chance that all guess.
    for wrong in ("chance that nobody", "probability that nobody", "by luck", "certain"):
        assert wrong not in page.words


def test_what_is_asked_of_one_listener_is_shown_by_code_only(page, study):
    for row in study[2]:
        assert row.listener in page.words
    assert "@" not in page.words


def evil_study():
    """A study whose every free text tries to leave its place."""
    takes = [
        PlanTake("t01", EVIL, "0" * 64, 1, {"glue": "a" + EVIL, "room": None}),
        PlanTake("t02", EVIL, "1" * 64, 2, {"glue": "b" + EVIL, "room": "shop"}),
    ]
    asked = Contrast(
        "q1", EVIL, "question", "attribute",
        (Condition("a" + EVIL, ("t01",)), Condition("b" + EVIL, ("t02",))), 4, attribute=EVIL,
    )  # fmt: skip
    return build(
        title=EVIL, question=EVIL, factors=[Factor("glue", EVIL), Factor("room", EVIL)],
        takes=takes, excerpts=[PlanExcerpt("e1", 0, 5)], contrasts=[asked], listeners=6,
        schedule_seed="0" * 32,
    ).document()  # fmt: skip


def test_what_people_wrote_is_escaped_everywhere():
    document = evil_study()
    table, rows = votes(document, 6)
    document, verdict = concluding(document, table, rows)
    bands = (Band(100.0, 1.0), Band(200.0, 1.0))
    entry = {"q1": Measurement("q1", EVIL, EVIL, EVIL, bands=bands, warnings=(EVIL,))}
    html = render(document, verdict, table, rows, measured=entry, organiser=EVIL, dates=EVIL)
    assert "<script" not in html
    page = Outline(html)
    assert "script" not in page.tags
    assert "alert('x')" in page.words


@pytest.mark.parametrize("count", [1, 2, 5])
def test_few_votes_make_a_page_too(count):
    document = plan(40)
    table, rows = votes(document, count)
    Outline(render(*concluding(document, table, rows), table, rows))


def test_a_study_cut_short_in_the_middle_of_a_listener():
    document = plan(40)
    table, rows = votes(document, 3)
    for keep in (1, 7, 50):
        part = table[:keep]
        cast = [
            dataclasses.replace(
                row, finished=False, votes=sum(v.listener == row.listener for v in part)
            )
            for row in rows
        ]
        Outline(render(*concluding(document, part, cast), part, cast))


def test_one_take_a_side_and_two_changes_are_said():
    takes = [
        PlanTake("t01", "old", "0" * 64, 1, {"glue": "hide", "hours": 0.0}),
        PlanTake("t02", "new", "1" * 64, 2, {"glue": "epoxy", "hours": 30.0}),
    ]
    asked = Contrast(
        "q1", "Old or new", "question", "abx",
        (Condition("old", ("t01",)), Condition("new", ("t02",))), 8,
        override_reason="they come as one kit",
    )  # fmt: skip
    document = build(
        title="Kit", question="Is the kit heard?", takes=takes, contrasts=[asked], listeners=6,
        factors=[Factor("glue", "adhesive"), Factor("hours", "hours", "numeric", "h")],
        excerpts=[PlanExcerpt("e1", 0, 5)], schedule_seed="0" * 32,
    ).document()  # fmt: skip
    table, rows = votes(document, 6)
    document, verdict = concluding(document, table, rows)
    page = Outline(render(document, verdict, table, rows))
    assert "cannot be attributed to one change" in page.words
    assert "they come as one kit" in page.words
    assert "was not measured" in page.words
    assert verdict.contrasts[0].verdict != "heard"


def test_an_anytime_plan_shows_its_evidence_and_no_fixed_p():
    document, table, rows, verdict = concluded(12, "anytime")
    page = Outline(render(document, verdict, table, rows))
    assert "Evidence as votes came in" in page.words
    assert "would ever do as well" in page.words


def test_listeners_left_out_are_counted_and_crossed():
    document, table, rows, _ = concluded(12)
    # One listener gets every planted check wrong: the plan's rule leaves them out.
    code = rows[0].listener
    wrong = {"one": "two", "two": "one"}
    turned = [
        dataclasses.replace(v, answer=wrong[v.answer] if v.correct else v.answer, correct=False)
        if v.listener == code and v.contrast == "check"
        else v
        for v in table
    ]
    verdict = conclude(document, *as_tables(turned, rows))
    assert verdict.excluded.listeners == (code,)
    report = context(document, verdict, *as_tables(turned, rows))["report"]
    assert any(code in text for text in report.exclusion)
    assert any(line.code == code and line.counts == "no" for line in report.listeners)


@pytest.mark.parametrize(
    ("headline", "lines"),
    [
        (
            "Heard: Stiffer adhesive and Element no. 2. Not heard: Hours. Preferred: Glue.",
            ("Heard: Stiffer adhesive and Element no. 2.", "Not heard: Hours.", "Preferred: Glue."),
        ),
        ("Heard. Told apart in 73 of 100.", ("Heard. Told apart in 73 of 100.",)),
    ],
)
def test_each_outcome_of_the_headline_has_a_line_of_its_own(headline, lines):
    """So that no line ends within "not heard"."""
    assert lines_of(headline) == lines
