"""A question given two other factors at once, from the guard to the verdict. Invented data."""

from itertools import product

import numpy as np
import pytest
from laid_out import conclude
from scipy.stats import binom
from vote_records import as_judged, as_tables

from panel.analysis.decision.judgement import judge
from panel.design.guard.check import guard
from panel.design.plan import PlanTake
from panel.design.schedule import listener_trials
from panel.study.conditions import Condition
from panel.study.factors import Factor, TakeLog
from panel.study.plan_reading import read_plan

from ...design.crossed import GLUES, conditions, crossed
from .test_given import put

FACTORS = (Factor("adhesive", "adhesive"), Factor("element", "element"), Factor("bridge", "bridge"))
GIVEN = ("element", "bridge")


def takes(each: int = 2) -> list[PlanTake]:
    """Every combination of three factors of two levels, recorded in turn."""
    cells = list(product(GLUES, ("ribbon", "coil"), ("maple", "brass")))
    return [
        PlanTake(
            f"t{i:02d}",
            f"{i:02d}",
            f"{i:064x}",
            i,
            dict(zip(("adhesive", *GIVEN), cell, strict=True)),
            specimen=", ".join(cell),
            session="one",
        )
        for i, cell in enumerate(cells * each, 1)
    ]


def plan(procedure: str, listeners: int):
    return crossed(
        made=takes(), procedure=procedure, factors=FACTORS, question={"given": GIVEN},
        listeners=listeners,
    )  # fmt: skip


def test_takes_fall_into_the_groups_alike_in_both():
    made = takes()
    logs = [TakeLog(t.id, t.order, t.log, t.label) for t in made]
    for less in ((), GIVEN[:1], GIVEN[1:]):
        assert not guard(conditions(made), logs, FACTORS, given=less).allowed
    found = guard(conditions(made), logs, FACTORS, given=GIVEN)
    assert found.allowed
    assert found.factor == "adhesive"
    assert sorted(s.label for s in found.strata) == [
        "element coil, bridge brass", "element coil, bridge maple",
        "element ribbon, bridge brass", "element ribbon, bridge maple",
    ]  # fmt: skip
    assert "given element and bridge" in found.sentence


def test_a_cell_without_retakes_is_named_by_both():
    made = [t for t in takes() if not (t.order > 8 and t.log["bridge"] == "brass")]
    logs = [TakeLog(t.id, t.order, t.log, t.label) for t in made]
    sides = tuple(
        Condition(glue, tuple(t.id for t in made if t.log["adhesive"] == glue)) for glue in GLUES
    )
    found = guard(sides, logs, FACTORS, given=GIVEN)
    assert not found.allowed
    assert "element ribbon, bridge brass" in found.sentence


def test_only_takes_alike_in_both_are_put_beside_each_other():
    document = plan("abx", 12)
    log = {t["id"]: t["log"] for t in document["takes"]}
    trials = [t for who in range(12) for t in listener_trials(read_plan(document), who)]
    assert len(trials) == 12 * 24
    for trial in trials:
        a, b = log[trial.take_a], log[trial.take_b]
        assert all(a[factor] == b[factor] for factor in GIVEN)


@pytest.mark.parametrize(("procedure", "effect"), [("abx", 3.0), ("attribute", 1.5)])
def test_it_is_heard_beside_two_stronger_factors(made, procedure, effect):
    document = plan(procedure, 16)
    # Groups stand 4 d′ apart.
    votes, rows = put(made, document, np.random.default_rng(3), effect=effect, spread=0.1)
    (found, *_) = conclude(document, *as_tables(votes, rows))["contrasts"]
    assert found["verdict"] == "heard"
    assert "given element and bridge" in found["sentence"]
    assert len(found["numbers"]["by_stratum"]) == 4
    # 2 + 2 takes in each of four groups: 6 labelings a group. Undirected, a group's two names may
    # be exchanged by themselves: 3⁴. Directed, of all together: 6⁴ / 2.
    least = 1 / 3**4 if procedure == "abx" else 2 / 6**4
    assert found["numbers"]["attribution"]["least_p"] == pytest.approx(least, rel=1e-5)


@pytest.mark.parametrize("procedure", ["abx", "attribute"])
def test_two_strong_factors_seldom_pass_for_the_one_asked_about(made, procedure):
    """80 studies at 5 %: more than 11 false claims have probability under 0.001."""
    document = plan(procedure, 6)
    read = read_plan(document)
    claims = 0
    for run in range(80):
        votes, rows = put(made, document, np.random.default_rng([9, run]), effect=0.0, spread=0.5)
        claims += judge(read, *as_judged(read, votes, rows))["q1"].code == "heard"
    assert binom.sf(11, 80, 0.05) < 0.001
    assert claims <= 11
