"""The reader's questions: every answer follows the code, and claims no more than it."""

from __future__ import annotations

import re
from dataclasses import fields

import pytest
from scipy import stats

from panel.prose import ENGLISH
from panel.report.page.answers import answers, in_short
from panel.study.conditions import Condition
from panel.study.plan import Contrast, Exclusion, Plan, PlanExcerpt, Stop
from panel.study.verdict import (
    Attribution,
    ContrastVerdict,
    Excluded,
    LeftOut,
    Numbers,
    QuestionNumbers,
    Verdict,
)

from .test_contents import TEMPLATES

CODES = (
    "heard", "not_heard", "rerecording_too", "recordings_differ", "not_enough", "preferred",
    "no_preference", "divided",
)  # fmt: skip


def contrast(procedure="abx", **more):
    conditions = (Condition("old", ("a", "b")), Condition("new", ("c", "d")))
    usual = {"attribute": "body", "conditions": conditions, "ties": procedure == "preference"}
    return Contrast("q", "Q", "question", procedure, **usual | more)


PLAN = Plan(
    title="", question="", alpha=0.05, limit=0.25, confidence=0.95, stop=Stop("fixed", 10),
    exclusion=Exclusion(), own_summary=False, schedule_seed="", factors=(), takes=(),
    excerpts=(PlanExcerpt("e1", 0, 5), PlanExcerpt("e2", 5, 9)), contrasts=(contrast(),),
)  # fmt: skip
EMPTY = dict.fromkeys(
    (
        "interval", "p_chance", "p_chance_holm", "e_value", "p_anytime", "within_share",
        "within_p", "p_heard", "dprime", "dprime_of", "dprime_interval", "listener_sd", "take_sd",
        "excerpt_sd", "model_message",
    )
)  # fmt: skip


def entry(code="heard", correct=75, trials=100, ties=0, role="question", next=(), **numbers):
    known = EMPTY | {
        "chance": 0.5, "share_right": correct / (trials or 1), "share_lower": 0.311,
        "share_upper": 0.551, "share_estimate": 0.5, "within_right": 21, "within_trials": 40,
        "barrier": None, "p_heard_holm": 0.031746, "listeners": 10, "votes_cast": trials,
        "votes_planned": trials, "conditions": (), "takes": (),
        "attribution": Attribution(None, 1 / 126, None, None, 126, True, 1 / 126),
    } | numbers  # fmt: skip
    own = {f.name for f in fields(QuestionNumbers)}
    question = QuestionNumbers(**{k: v for k, v in known.items() if k in own})
    rest = {k: v for k, v in known.items() if k not in own}
    return ContrastVerdict(
        "q", "Q", role, "abx", code, (), next, correct, trials, Numbers(**rest, question=question),
        beats_chance=True, ties=ties,
    )  # fmt: skip


CHECK = entry("heard", 38, 40, role="planted_check")


def said(asked, found, plan=PLAN, then=()):
    verdict = Verdict(
        "", 0, 0, Excluded((), False, {}), (CHECK,), (), LeftOut({}, {}, ()), ()
    )  # fmt: skip
    return {a.asked: " ".join(a.lines) for a in answers(ENGLISH, plan, asked, found, verdict, then)}


def test_the_short_answer_gives_votes_and_people_apart():
    assert in_short(ENGLISH, contrast(), entry()).replace("\N{NO-BREAK SPACE}", " ") == (
        # 75 of 100; bounds 0.311 and 0.551 rounded to their safe sides
        "75 % of answers right (75 of 100); guessing gives 50 %. At least 31 % of listeners like "
        "these can hear it, at most 56 % every time."
    )


@pytest.mark.parametrize(("correct", "side", "votes"), [(75, "new", 75), (25, "old", 75)])
def test_a_lean_names_the_side_that_got_more_votes(correct, side, votes):
    found = entry("preferred", correct)
    short = in_short(ENGLISH, contrast("preference"), found)
    assert f"preferred “{side}” ({votes} of 100)" in short
    not_claimed = said(contrast("preference"), found)["What must not be claimed?"]
    assert "25 of 100 votes went the other way" in not_claimed


def test_ties_are_told_beside_the_votes_and_no_percentage_mixes_them():
    short = in_short(ENGLISH, contrast("preference"), entry("preferred", 75, ties=20))
    assert "75 of 100 votes preferred “new”" in short
    assert "20 more preferred neither" in short
    assert "%" not in short


def test_votes_for_a_side_are_never_turned_into_people():
    for procedure in ("attribute", "preference"):
        for code in ("heard", "preferred", "not_enough"):
            text = said(contrast(procedure), entry(code, share_upper=None, share_lower=None))
            how_many = next(iter(text.values()))
            assert "counts votes, not people" in how_many
            assert "listeners like these" not in " ".join(text.values())


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("barrier", [None, "one_take"])
def test_only_a_claim_is_put_down_to_the_change(code, barrier):
    procedure = "preference" if code in ("preferred", "no_preference", "divided") else "abx"
    text = said(contrast(procedure), entry(code, barrier=barrier))
    claimed = code in ("heard", "preferred") and barrier is None
    why = text["Could it be just another recording?"]
    assert ("puts it down to the change" in why) == claimed
    assert text["What must not be claimed?"]
    if barrier:
        assert "cannot be told here" in why


def test_the_relabelling_is_counted():
    why = said(contrast(), entry())["Could it be just another recording?"]
    assert "1 of all 126 ways" in why
    assert "21 of 40; guessing gives about 20" in why


def test_not_heard_keeps_its_limit_and_says_who_was_able_to_hear():
    text = said(contrast(), entry("not_heard", 52, share_lower=0.0, share_upper=0.1201))
    assert (
        text["How many can hear it?"]
        .replace("\N{NO-BREAK SPACE}", " ")
        .startswith("At most 13 % of listeners like these")
    )
    assert "38 of 40 planted ones" in text["How sure is this?"]
    assert "That nobody can hear it" in text["What must not be claimed?"]
    assert "more of them now and then" in text["What must not be claimed?"]
    assert "hear a smaller one" in text["How sure is this?"]


def test_a_limit_over_doses_is_none_for_the_widest_two():
    """Near pairs and far ones make one mean: the demo's own bound of 13 % is 19 % of the widest."""
    steps = [Condition(f"{hours} h", (f"t{hours}",), hours) for hours in (0, 10, 100)]
    asked = contrast(scale="linear", conditions=tuple(steps))
    text = said(asked, entry("not_heard", 52, share_lower=0.0, share_upper=0.1201))
    assert "“100 h” against “0 h” alone" in text["What must not be claimed?"]


@pytest.mark.parametrize(("p", "told"), [(0.001, True), (0.4, False)])
def test_where_retakes_are_heard_the_shares_hold_that_too(p, told):
    text = said(contrast(), entry(within_p=p))["How many can hear it?"]
    assert ("include what two takes of one condition do" in text) == told


def test_where_the_limits_leave_everything_open_no_limit_is_told():
    text = said(contrast(), entry(share_lower=0.0, share_upper=1.0))["How many can hear it?"]
    assert text.startswith("How many listeners like these hear it cannot be told")


def test_what_the_verdict_would_have_done_next_is_what_would_make_it_surer():
    found = entry("not_enough")
    assert (
        said(contrast(), found, then=("More takes.",))["What would make it surer?"] == "More takes."
    )


def test_no_votes_no_answers():
    found = entry(trials=0, correct=0)
    assert said(contrast(), found) == {}
    assert in_short(ENGLISH, contrast(), found) == "No votes count."


def test_the_size_that_the_page_explains():
    """At d' = 1: Φ(1/√2) of two, signal detection's closed form; the triangle by Ennis 1993
    (J. Sensory Studies 8, 353–370: 0.418 from memory); ABX by differencing, Macmillan & Creelman's
    Φ(d'/√2)Φ(d'/√6) + Φ(−d'/√2)Φ(−d'/√6)."""
    phi = stats.norm.cdf
    two = round(100 * phi(1 / 2**0.5))
    abx = round(100 * sum(phi(s / 2**0.5) * phi(s / 6**0.5) for s in (1, -1)))
    said = {
        "desk/plan/question.html": [r"a choice between two is right in about (\d+) %"],
        "report/report.html": [
            r"“which has more\?” is answered right in about (\d+)\xa0%", r"ABX in (\d+)\xa0%",
            r"a triangle in (\d+)\xa0%",
        ],
    }  # fmt: skip
    for name, patterns in said.items():
        page = (TEMPLATES / name).read_text(encoding="utf-8")
        for pattern, wanted in zip(patterns, (two, abx, 42), strict=False):
            told = re.search(pattern, page)
            assert told, (name, pattern)
            assert int(told[1]) == wanted
