"""The curve over a dose in the report: its numbers are the verdict's and those of the votes."""

from __future__ import annotations

import math
from xml.etree import ElementTree

import pytest
from vote_records import as_table, as_tables

from panel.analysis.wording.told import told
from panel.prose import ENGLISH
from panel.report.figures.dose import against_lowest, dose_curve, dose_lines
from panel.report.page.contents import context
from panel.study.verdict import read_verdict

SVG = "{http://www.w3.org/2000/svg}"


def parts(study):
    plan, votes, _, verdict = study
    contrast = plan.contrast("q2")
    entry = verdict.contrast("q2")
    return plan, votes, verdict, contrast, entry


def test_rings_are_the_votes_against_the_lowest_dose(study):
    plan, votes, verdict, contrast, _ = parts(study)
    label = {t: c.label for c in contrast.conditions for t in c.takes}
    figure = dose_curve(ENGLISH, plan, verdict, as_table(votes), "q2")
    cast = against_lowest(contrast, verdict, as_table(votes))
    for row, (good, total) in zip(figure.rows[1:], cast, strict=True):
        own = [v for v in votes if v.contrast == "q2" and {label[t] for t in v.pair} ==
               {"0 h", row[0]}]  # fmt: skip
        assert (good, total) == (sum(v.correct for v in own), len(own))
        assert row[3:] == (f"{100 * good / total:.1f}\xa0%", f"{total}")


def test_the_table_holds_the_verdicts_points(study):
    plan, votes, verdict, _, entry = parts(study)
    told = {d: three for d, *three in entry.numbers.question.dose_response.points}
    figure = dose_curve(ENGLISH, plan, verdict, as_table(votes), "q2")
    assert [row[0] for row in figure.rows] == ["0 h", "10 h", "30 h", "100 h"]
    for row, dose in zip(figure.rows, (0.0, 10.0, 30.0, 100.0), strict=True):
        mid, low, high = told[dose]
        assert row[1] == f"{100 * mid:.1f}\xa0%"
        assert row[2] == f"{100 * low:.1f}–{100 * high:.1f}\xa0%"


def test_the_picture_tells_of_retakes_chance_and_that_nothing_is_claimed(study):
    plan, votes, verdict, _, entry = parts(study)
    control = verdict.contrast("q2-retakes").numbers
    figure = dose_curve(ENGLISH, plan, verdict, as_table(votes), "q2")
    assert f"Retakes of the same dose: {100 * control.share_right:.0f}" in figure.description
    assert "Chance 33" in figure.description
    assert entry.verdict not in ("heard", "preferred")
    assert "No effect of the dose is claimed" in figure.note
    for drawn in (figure.wide, figure.narrow):
        words = [text.text for text in ElementTree.fromstring(drawn).iter(SVG + "text")]
        assert {"retakes", "chance", "0 h", "100 h"} <= set(words)


def test_the_curve_ends_on_the_canvas_where_the_table_says(study):
    """Read back from the drawing by its own axis: the labels give the scale."""
    plan, votes, verdict, _, entry = parts(study)
    root = ElementTree.fromstring(dose_curve(ENGLISH, plan, verdict, as_table(votes), "q2").wide)
    ticks = {int(t.text): float(t.get("y")) - 5 for t in root.iter(SVG + "text")
             if t.text.isdigit()}  # fmt: skip
    (low, y_low), *_, (high, y_high) = sorted(ticks.items())
    dashed = [p for p in root.iter(SVG + "path") if p.get("stroke-dasharray") == "6 3"]
    last = entry.numbers.question.dose_response.points[-1]
    for path, share in zip(dashed, last[2:], strict=True):
        y = float(path.get("d").split()[-1])
        read = low + (y - y_low) / (y_high - y_low) * (high - low)
        assert read == pytest.approx(100 * share, abs=0.1)


def with_curve(verdict, **changed):
    """The verdict with other values of the curve over q2."""
    document = verdict.document()
    entry = next(e for e in document["contrasts"] if e["id"] == "q2")
    entry["numbers"]["dose_response"] |= changed
    return read_verdict(document)


def test_without_a_curve_the_reason_stands_among_the_numbers(study):
    plan, votes, verdict, contrast, _ = parts(study)
    other = with_curve(
        verdict, slope=None, interval=None, over_range=None, points=None,
        reason={"code": "few_votes", "values": {"votes": 20}},
    )  # fmt: skip
    assert dose_curve(ENGLISH, plan, other, as_table(votes), "q2") is None
    why = told(plan, other).contrasts["q2"].no_curve
    assert dose_lines(ENGLISH, contrast, other.contrast("q2"), why) == [
        ("Curve over the dose", "None is given. There are fewer than 20 votes.")
    ]


def test_odds_are_told_for_a_directed_question(study):
    _, _, verdict, contrast, _ = parts(study)
    other = with_curve(verdict, of="log_odds", over_range=[math.log(2), 0.0, math.log(4)])
    ((term, value),) = dose_lines(ENGLISH, contrast, other.contrast("q2"), None)
    assert term == "Odds by the curve, “100 h” against “0 h”"
    assert value == "2.00 to 1 (1.00 to 4.00)"


def test_the_page_shows_it_with_the_question_about_doses_only(study):
    plan, votes, rows, verdict = study
    shown = context(plan, verdict, *as_tables(votes, rows))["report"].sections
    names = {s.id: [f.name for f in s.figures] for s in shown}
    assert "dose-q2" in names["q2"]
    assert not any("dose-" in name for id_, found in names.items() if id_ != "q2" for name in found)
    assert dose_curve(ENGLISH, plan, verdict, as_table(votes), "q1") is None
