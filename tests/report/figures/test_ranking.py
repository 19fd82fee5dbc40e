"""The order of three conditions in the report; invented data with a known order."""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest
from vote_records import ListenerRow, Vote, as_tables

from panel.analysis.verdict import conclude
from panel.analysis.wording.methods import methods
from panel.prose import ENGLISH
from panel.report.figures.ranking import order_of_conditions
from panel.study.plan_reading import read_plan

SVG = "{http://www.w3.org/2000/svg}"
LACQUERS = ("bare", "shellac", "oil")


def plan():
    conditions = [
        {"label": label, "dose": None, "takes": [f"{label}{n}" for n in range(4)]}
        for label in LACQUERS
    ]
    asked = {
        "id": "q1", "name": "Lacquer, liked better", "role": "question", "procedure": "preference",
        "attribute": None, "factor": "lacquer", "scale": None, "conditions": conditions,
        "level": "matched", "votes_per_listener": 33, "differs": ["lacquer"], "unlogged": [],
        "override_reason": None,
    }  # fmt: skip
    takes = [take for condition in conditions for take in condition["takes"]]
    return {
        "format": "fair-hearing-plan/2", "study": {"title": "Lacquer", "question": "Which?"},
        "alpha": 0.05, "limit": 0.25, "confidence": 0.95,
        "stop": {"kind": "fixed", "listeners": 12},
        "exclusion": {"planted_least_right": None, "headphones": "record"},
        "schedule_seed": "00" * 16,
        "factors": [{"id": "lacquer", "name": "lacquer", "kind": "named", "unit": "",
                     "tolerance": 0.0}],
        "carrier": "", "draws": [],
        "takes": [{"id": t, "label": t, "sha256": "", "order": i, "log": {},
                   "specimen": t[:-1], "session": "one"}
                  for i, t in enumerate(sorted(takes, key=lambda t: t[-1]))],
        "excerpts": [{"id": "e1", "start_s": 0.0, "end_s": 5.0}],
        "contrasts": [asked, {"id": "q1-retakes", "name": "Retakes", "role": "retake_control",
                              "of": "q1", "procedure": "preference"}],
    }  # fmt: skip


def told(worths):
    """(plan, verdict, votes, methods)."""
    document, rng, votes = plan(), np.random.default_rng(4), []
    worth = {t: w for c, w in zip(document["contrasts"][0]["conditions"], worths, strict=True)
             for t in c["takes"]}  # fmt: skip
    pairs = list(combinations(worth, 2))
    for i in range(12 * 33):
        pair = pairs[i % len(pairs)]
        one, two = pair if rng.random() < 0.5 else pair[::-1]
        first = rng.random() < 1 / (1 + np.exp(worth[two] - worth[one]))
        votes.append(Vote(i + 1, f"L{i // 33:02d}", i % 33 + 1, "q1", "preference", "e1", one, two,
                          None, "one" if first else "two", None, 2, 9, 0))  # fmt: skip
    rows = [ListenerRow(f"L{n:02d}", True, "passed", "headphones", 48_000, 33) for n in range(12)]
    read = read_plan(document)
    tables = as_tables(votes, rows)
    return read, conclude(read, *tables), votes, methods(ENGLISH, read)


@pytest.fixture(scope="module")
def clear():
    return told((0.0, 1.2, 2.4))


def test_conditions_stand_in_order_with_their_share_of_wins(clear):
    document, verdict, votes, _ = clear
    side = {t: c.label for c in document.contrasts[0].conditions for t in c.takes}
    won, met = Counter(v.chosen for v in votes), Counter(t for v in votes for t in v.pair)
    share = {
        label: np.mean([won[t] / met[t] for t in met if side[t] == label]) for label in LACQUERS
    }
    figure = order_of_conditions(ENGLISH, document, verdict, "q1")
    assert [row[0] for row in figure.rows[:3]] == ["oil", "shellac", "bare"]
    for label, cell, interval, _ in figure.rows[:3]:
        assert cell == f"{100 * share[label]:.1f}\xa0%"
        low, high = interval.removesuffix("\xa0%").split("–")
        assert float(low) < 100 * share[label] < float(high)


def test_pairs_apart_are_named_in_words_and_table(clear):
    figure = order_of_conditions(ENGLISH, *clear[:2], "q1")
    for text in (figure.description, figure.note):
        assert "“oil” ahead of “bare”" in text
    assert [row[0] for row in figure.rows[3:]] == [
        "oil over shellac", "oil over bare", "shellac over bare"
    ]  # fmt: skip
    assert figure.rows[4][3] == "shown"
    assert figure.rows[4][1].startswith("+")


def test_where_nothing_is_shown_it_says_so():
    document, verdict, _, _ = told((0.0, 0.0, 0.0))
    figure = order_of_conditions(ENGLISH, document, verdict, "q1")
    assert "No order among them is shown" in figure.description
    assert [row[3] for row in figure.rows] == ["1", "2", "3", "open", "open", "open"]


def test_the_drawing_is_well_formed_and_fits(clear):
    figure = order_of_conditions(ENGLISH, *clear[:2], "q1")
    for drawn in (figure.wide, figure.narrow):
        root = ElementTree.fromstring(drawn)
        assert root.find(SVG + "desc").text == figure.description
        _, _, width, height = map(float, root.get("viewBox").split())
        for text in root.iter(SVG + "text"):
            x, long = float(text.get("x")), 0.5 * float(text.get("font-size")) * len(text.text)
            start = {"start": x, "middle": x - long / 2, "end": x - long}[text.get("text-anchor")]
            assert start > -4
            assert start + long < width + 4
            assert 0 < float(text.get("y")) <= height
        heights = {t.text: float(t.get("y")) for t in root.iter(SVG + "text")}
        assert heights["1. oil"] < heights["2. shellac"] < heights["3. bare"]


def test_the_methods_name_the_sources(clear):
    for source in ("Bradley & Terry 1952", "Marcus, Peritz & Gabriel 1976"):
        assert source in clear[3]
    assert "Davidson 1970" not in clear[3]  # no ties were allowed


def test_other_questions_have_no_such_picture(study):
    assert order_of_conditions(ENGLISH, study[0], study[3], "q4") is None
