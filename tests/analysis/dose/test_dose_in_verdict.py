"""A question about doses carries its curve through the verdict, or the reason why it has none."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from laid_out import conclude
from scipy import special, stats
from vote_records import as_judged, as_tables

from panel.analysis.decision.judgement import judge
from panel.analysis.dose import numbers as dose_numbers
from panel.analysis.verdict import rounded
from panel.analysis.wording.messages import of_curve
from panel.prose import ENGLISH
from panel.study.plan_reading import read_plan
from panel.study.shapes import written
from panel.study.votes_check import check_against_plan

DOSES = [0.0, 10.0, 30.0, 100.0]


def concluded(document, votes, rows):
    return conclude(document, *as_tables(votes, rows))


def study(made, procedure, *, effect, seed=5, listeners=16, kind="fixed", takes=(3,) * 4, **more):
    more = {"factor": "hours", "differs": ["hours"], "votes": 24} | more
    doses = DOSES[: len(takes)]
    asked = made.contrast("q1", procedure, takes, doses=doses, scale="log1p", **more)
    document = made.plan(asked, made.control_of(asked), listeners=listeners, kind=kind)
    votes, rows = made.simulate(
        document, np.random.default_rng(seed), effect=effect, listener_spread=0.0
    )
    return document, votes, rows


def curve_of(document, votes, rows):
    """The part of the verdict that is looked at here, without the rest of it."""
    plan = read_plan(document)
    judged = judge(plan, *as_judged(plan, *check_against_plan(plan, *as_tables(votes, rows))))["q1"]
    found = dose_numbers.numbers(plan, judged)
    if found is None:
        return None
    told = of_curve(ENGLISH, found.reason)
    return json.loads(json.dumps(written(rounded(found)))) | {"reason": told}


def test_points_lie_on_the_procedures_curve(made):
    """ABX by differencing, in closed form (Macmillan & Creelman, Detection Theory)."""
    found = curve_of(*study(made, "abx", effect=0.45))
    assert found["reason"] is None
    assert [d for d, *_ in found["points"] if d in DOSES] == DOSES
    for dose, *shares in found["points"]:
        for slope, share in zip((found["slope"], *found["interval"]), shares, strict=True):
            d = slope * math.log1p(dose)
            a, b = stats.norm.cdf(d / math.sqrt(2)), stats.norm.cdf(d / math.sqrt(6))
            # Doses between those of the plan are rounded to four digits.
            assert share == pytest.approx(1 - a - b + 2 * a * b, abs=4e-4)
    low, high = found["interval"]
    assert low < 0.45 < high
    reach = math.log1p(100)
    assert found["over_range"] == pytest.approx([reach * v for v in (found["slope"], low, high)],
                                                rel=1e-3)  # fmt: skip


def test_a_directed_curve_is_the_line_through_the_worths(made):
    """Least squares by scipy through the worths of the same verdict, and its logistic function."""
    numbers = concluded(*study(made, "attribute", effect=0.2))["contrasts"][0]["numbers"]
    found = numbers["dose_response"]
    worths = list(numbers["worths"]["takes"].values())
    x = np.repeat(np.log1p(DOSES), 3)
    assert found["slope"] == pytest.approx(stats.linregress(x, worths).slope, rel=1e-3)
    for dose, mid, low, high in found["points"]:
        assert low <= mid <= high
        assert mid == pytest.approx(special.expit(found["slope"] * math.log1p(dose)), abs=4e-4)


def test_where_nobody_hears_the_band_stays_open(made):
    """The jackknife alone gives no width where every estimate is zero."""
    for seed in range(3):
        found = curve_of(*study(made, "triangle", effect=0.0, seed=seed))
        assert found["interval"][0] == 0.0
        assert found["interval"][1] > 0.05
        assert found["points"][0][1:] == pytest.approx([1 / 3] * 3, abs=1e-4)


def test_no_curve_where_none_is_warranted(made):
    def reason(votes_too=None, **more):
        document, votes, rows = study(made, "abx", **({"effect": 0.3} | more))
        if votes_too:
            votes = [votes_too(v) for v in votes]
        found = curve_of(document, votes, rows)
        assert found["slope"] is found["interval"] is found["points"] is None
        assert found["over_range"] is None
        return found["reason"]

    def answered(right):
        def turn(vote):
            key = "one" if vote.one == vote.three else "two"
            other = {"one": "two", "two": "one"}[key]
            return replace(vote, correct=right, answer=key if right else other)

        return turn

    assert "at any time" in reason(kind="anytime")
    assert "Every vote was right" in reason(answered(True))
    assert "swapped" in reason(answered(False))
    assert "fewer than 3 listeners" in reason(listeners=2)
    assert "More than the dose" in reason(differs=["hours", "finish"])
    assert "one take of a dose" in reason(takes=(1, 3, 3))
