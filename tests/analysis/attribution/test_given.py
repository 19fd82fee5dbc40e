"""A question given another factor, from the schedule through the verdict and the archive.

Truth is known: takes differ by a strong effect of the other factor (element) and by themselves,
and by the factor asked about (adhesive) or not. Invented data.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from laid_out import conclude
from made_studies import GRID, TABLE
from scipy.stats import binom
from vote_records import ListenerRow, as_judged, as_tables

from panel.analysis import verdict as verdicts
from panel.analysis.decision.judgement import judge
from panel.design.schedule import listener_trials
from panel.errors import BadInput
from panel.prose import ENGLISH
from panel.report.archive.export import recompute, write_zip
from panel.report.page.chain import chain_of
from panel.stages.plan.words import in_words
from panel.study.plan_reading import read_plan

from ...design.crossed import UNEVEN, crossed


def put(made, plan, rng, *, effect, other=4.0, interaction=0.0, spread=0.3):
    """(votes, listeners) of a plan's own schedule; positions of takes in d′."""
    asked = plan["contrasts"][0]
    curve = TABLE[asked["procedure"]]
    side = {t: i for i, c in enumerate(asked["conditions"]) for t in c["takes"]}
    stratum = {t: i for i, s in enumerate(asked["strata"]) for t in s["takes"]}
    where = {
        t: effect * side[t]
        + other * stratum[t]
        + interaction * side[t] * stratum[t]
        + rng.normal(0, spread)
        for t in side
    }
    ballot = made.Ballot(plan, rng)
    for who in range(plan["stop"]["listeners"]):
        keen = float(np.exp(rng.normal(0, 0.4)))
        for trial in listener_trials(read_plan(plan), who):
            a, b = trial.take_a, trial.take_b
            p = float(np.interp((where[b] - where[a]) * keen, GRID, curve))
            ballot.cast(f"L{who:02d}", asked, (a, b), trial.excerpt, rng.random() < p)
    return ballot.votes, ballot.rows()


@pytest.mark.parametrize("procedure", ["abx", "attribute"])
def test_a_strong_effect_of_the_other_factor_seldom_passes_for_the_one_asked_about(made, procedure):
    """Cells are uneven, so that the two factors are tangled over all takes taken together.

    120 studies at 5 %: more than 15 false claims have probability under 0.001.
    """
    document = crossed(UNEVEN, procedure, listeners=6)
    plan = read_plan(document)
    claims, others = 0, 0
    for run in range(120):
        rng = np.random.default_rng([7, run])
        votes, rows = put(made, document, rng, effect=0.0, spread=0.5)
        found = judge(plan, *as_judged(plan, votes, rows))["q1"]
        claims += found.code == "heard"
        attribution = found.evidence.attribution
        others += attribution is not None and attribution.p <= 0.5
    assert binom.sf(15, 120, 0.05) < 0.001
    assert claims <= 15
    assert others > 30  # p values do go down: not a test that never speaks


@pytest.mark.parametrize(("procedure", "effect"), [("abx", 3.0), ("attribute", 1.5)])
def test_the_factor_asked_about_is_heard_beside_a_stronger_one(made, procedure, effect):
    plan = crossed(procedure=procedure, listeners=16)
    votes, rows = put(made, plan, np.random.default_rng(3), effect=effect, spread=0.15)
    (found, *_) = conclude(plan, *as_tables(votes, rows))["contrasts"]
    assert found["verdict"] == "heard"
    # 3 + 3 takes in two strata: (20/2)² or 20²/2 labelings, the true one the most extreme.
    least = 1 / 100 if procedure == "abx" else 1 / 200
    assert found["numbers"]["attribution"]["least_p"] == pytest.approx(least)
    assert found["numbers"]["attribution"]["p"] >= least - 1e-9
    assert found["numbers"]["attribution"]["exact"]
    assert found["numbers"]["given"] == ["element"]
    assert found["numbers"]["cells"] == [[3, 3], [3, 3]]


def counted(plan, votes, procedure):
    """Votes across conditions by stratum, straight from the votes: [right or for epoxy, all]."""
    asked = plan["contrasts"][0]
    side = {t: i for i, c in enumerate(asked["conditions"]) for t in c["takes"]}
    out = {s["label"]: [0, 0] for s in asked["strata"]}
    for vote in votes:
        pair = sorted(set(vote.slots), key=lambda take: side[take])
        if side[pair[0]] == side[pair[1]]:
            continue
        (label,) = (s["label"] for s in asked["strata"] if pair[0] in s["takes"])
        if procedure == "abx":
            yes = vote.correct
        else:
            yes = {"one": vote.one, "two": vote.two}[vote.answer] == pair[1]
        out[label][0] += yes
        out[label][1] += 1
    return out


@pytest.mark.parametrize(
    ("procedure", "effect", "interaction", "claimed"),
    [("abx", 0.0, 3.0, True), ("attribute", 1.5, -3.0, False)],
)
def test_an_effect_that_hangs_on_what_is_given_is_shown_by_group_and_claimed_for_none(
    made, procedure, effect, interaction, claimed
):
    """Heard with the coil only, or the other way round with it: counts by group show it."""
    plan = crossed(procedure=procedure, listeners=16)
    votes, rows = put(
        made, plan, np.random.default_rng(3), effect=effect, interaction=interaction, spread=0.15
    )
    (found, *_) = conclude(plan, *as_tables(votes, rows))["contrasts"]
    assert (found["verdict"] == "heard") == claimed
    truth = counted(plan, votes, procedure)
    assert {s["label"]: [s["count"], s["votes"]] for s in found["numbers"]["by_stratum"]} == truth
    assert "one answer over all such groups together, not one for each" in found["sentence"]
    (said,) = (r for r in found["reasons"] if r.startswith("By group"))
    for label, (count, n) in truth.items():
        assert f"in {count} of {n} with {label}" in said
    assert "no group is tested by itself" in said
    (ribbon, coil) = (truth[f"element {e}"] for e in ("ribbon", "coil"))
    assert abs(coil[0] / coil[1] - ribbon[0] / ribbon[1]) > 0.25  # there is something to show


@pytest.fixture(scope="module")
def study(made):
    plan = crossed(procedure="attribute", listeners=10)
    votes, rows = put(made, plan, np.random.default_rng(5), effect=1.5, spread=0.1)
    return plan, votes, rows, conclude(plan, *as_tables(votes, rows))


def test_sentence_reasons_methods_plan_and_chain_say_what_is_given(study):
    plan, _, _, verdict = study
    found = verdict["contrasts"][0]
    assert "given element: only takes alike in element" in found["sentence"]
    assert any("among those alike in element (all of 200 ways)" in r for r in found["reasons"])
    assert "was asked given element" in verdict["methods"]
    said = " ".join(s for section in in_words(read_plan(plan)) for s in section.sentences)
    assert "asked given element" in said
    assert "element ribbon; element coil" in said
    read = read_plan(plan)
    assert "alike in element" in chain_of(ENGLISH, read, read.contrasts[0]).sentences[0]


def test_the_archive_gives_the_same_verdict_again_and_names_what_is_given(study, tmp_path):
    path = tmp_path / "export.zip"
    plan, tables = read_plan(study[0]), as_tables(*study[1:3])
    path.write_bytes(write_zip(plan, *tables, verdicts.conclude(plan, *tables)))
    found = recompute(path)
    assert found.identical
    assert found.verdict.contrasts[0].numbers.question.given == ("element",)


def test_a_vote_on_takes_of_two_strata_does_not_belong_to_the_plan(study):
    plan, votes, rows, _ = study
    first, second = plan["contrasts"][0]["strata"]
    wrong = replace(votes[0], one=first["takes"][0], two=second["takes"][0])
    with pytest.raises(BadInput, match="the plan puts no such pair"):
        conclude(plan, *as_tables([wrong, *votes[1:]], rows))


def test_a_plan_whose_strata_do_not_hold_its_takes_cannot_be_read(study):
    plan, votes, rows, _ = study
    broken = json.loads(json.dumps(plan))
    broken["contrasts"][0]["strata"][0]["takes"].pop()
    with pytest.raises(BadInput, match="do not hold each of its takes once"):
        conclude(broken, *as_tables(votes, rows))


def test_a_panel_divided_over_the_change_is_found_within_strata(made):
    """Half the listeners want the one adhesive, half the other; all prefer the same element."""
    plan = crossed(procedure="preference", listeners=16)
    asked, rng = plan["contrasts"][0], np.random.default_rng(11)
    side = {t: i for i, c in enumerate(asked["conditions"]) for t in c["takes"]}
    ballot = made.Ballot(plan, rng)
    for who in range(16):
        for trial in listener_trials(read_plan(plan), who):
            lead = (side[trial.take_b] - side[trial.take_a]) * (1 if who % 2 else -1)
            chosen = rng.random() < 0.5 + 0.4 * lead
            pair = (trial.take_a, trial.take_b)
            ballot.cast(f"L{who:02d}", asked, pair, trial.excerpt, chosen)
    rows: list[ListenerRow] = ballot.rows()
    (found, *_) = conclude(plan, *as_tables(ballot.votes, rows))["contrasts"]
    assert found["verdict"] == "divided"
