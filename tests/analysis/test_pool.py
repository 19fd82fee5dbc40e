"""A table by itself says what its votes say, and claims nothing more."""

from collections import Counter, defaultdict
from dataclasses import replace

import numpy as np
import pytest
from laid_out import conclude, concluded, pool
from scipy.stats import binom, binomtest
from vote_records import ListenerRow, as_table, as_tables

from panel.errors import BadInput
from panel.study.votes import listeners_of


@pytest.fixture(scope="module")
def study(made):
    document = made.plan(
        made.contrast("q1", "abx", votes=12),
        made.contrast("q2", "triangle", votes=12),
        made.contrast("q3", "attribute", (2, 2), votes=12),
        made.contrast("q4", "preference", (1, 1), votes=12),
        made.check("attribute"),
        listeners=14,
    )
    return document, *made.simulate(document, np.random.default_rng(7), effect=1.8)


@pytest.fixture(scope="module")
def told(study):
    return pool(as_table(study[1]))


def of(told, id_):
    return next(entry for entry in told["contrasts"] if entry["id"] == id_)


def every(value):
    if isinstance(value, dict):
        for k, v in value.items():
            yield k
            yield from every(v)
    elif isinstance(value, list):
        for v in value:
            yield from every(v)
    else:
        yield value


def test_nothing_is_called_heard_or_put_down_to_a_change(told):
    assert told["verdict"] is None
    words = {w for w in every(told) if isinstance(w, str)}
    assert not words & {"heard", "not_heard", "preferred", "no_preference", "rerecording_too"}
    assert all(c["numbers"]["attribution"] is None for c in told["contrasts"])
    assert any("needs the conditions" in limit for limit in told["limits"])


@pytest.mark.parametrize(("id_", "chance"), [("q1", 1 / 2), ("q2", 1 / 3)])
def test_counts_and_chance_are_those_of_the_table(study, told, id_, chance):
    votes = [v for v in study[1] if v.contrast == id_]
    right = sum(bool(v.correct) for v in votes)
    entry = of(told, id_)
    assert (entry["correct"], entry["trials"]) == (right, len(votes))
    exact = binomtest(right, len(votes), chance, alternative="greater").pvalue
    assert entry["numbers"]["p_chance"] == pytest.approx(exact, rel=1e-5)
    assert entry["numbers"]["p_anytime"] >= entry["numbers"]["p_chance"] / 2


def test_two_takes_with_a_direction_get_the_sign_test(study, told):
    votes = [v for v in study[1] if v.contrast == "q4"]
    chosen = Counter(v.chosen for v in votes)
    entry = of(told, "q4")
    assert entry["correct"] == chosen["q4-1-0"]
    assert entry["counted"] == "votes for q4-1-0"
    exact = binomtest(chosen["q4-1-0"], len(votes)).pvalue
    assert entry["numbers"]["p_chance"] == pytest.approx(exact, rel=1e-5)


def test_takes_whose_sides_are_not_known_give_no_share(told):
    entry = of(told, "q3")
    assert entry["correct"] is None
    assert entry["numbers"]["share"] is entry["numbers"]["dprime"] is None
    assert entry["numbers"]["p_chance"] < 0.05  # d′ = 1.8 by 14 × 12


def test_a_marked_direction_is_counted_as_right_answers(study, told):
    votes = [v for v in study[1] if v.contrast == "check"]
    assert of(told, "check")["correct"] == sum(bool(v.correct) for v in votes)
    assert of(told, "check")["counted"] == "right answers"


def test_shares_respect_listeners_not_votes(study, told):
    """The bound must be wider than one that takes every vote for a person."""
    scores = defaultdict(list)
    for v in study[1]:
        if v.contrast == "q1":
            scores[v.listener].append(bool(v.correct))
    naive = binomtest(sum(map(sum, scores.values())), sum(map(len, scores.values())))
    low, high = naive.proportion_ci(0.95, "exact")
    numbers = of(told, "q1")["numbers"]
    assert numbers["interval"][0] < low < high < numbers["interval"][1]
    assert numbers["share_lower"] < numbers["share_estimate"] < numbers["share_upper"]


def test_who_votes_more_counts_no_more_in_the_share(study):
    """Estimate and limits are of one mean: a listener's own share first, then over listeners."""
    by_listener = defaultdict(list)
    for v in study[1]:
        if v.contrast == "q1":
            by_listener[v.listener].append(v)
    order = sorted(by_listener.values(), key=lambda votes: sum(bool(v.correct) for v in votes))
    few = [v for i, votes in enumerate(order) for v in votes[: 12 if i < 7 else 4]]
    own = [
        np.mean([bool(v.correct) for v in few if v.listener == who])
        for who in dict.fromkeys(v.listener for v in few)
    ]
    entry = of(pool(as_table(few)), "q1")
    numbers, mean = entry["numbers"], np.mean(own)
    assert abs(mean - entry["correct"] / entry["trials"]) > 0.01  # or it would prove nothing
    assert numbers["share"] == pytest.approx(mean, abs=1e-6)
    assert numbers["share_estimate"] == pytest.approx(max(0, 2 * mean - 1), abs=1e-6)
    assert numbers["interval"][0] < mean < numbers["interval"][1]


def test_guessers_beat_chance_in_at_most_one_table_of_twenty(made):
    document = made.plan(
        made.contrast("q1", "abx", (2, 2), votes=8),
        made.contrast("q2", "preference", (2, 2), votes=8),
        listeners=6,
    )
    runs, fixed, whenever = 100, Counter(), Counter()
    for run in range(runs):
        votes, _ = made.simulate(document, np.random.default_rng([11, run]))
        for entry in pool(as_table(votes))["contrasts"]:
            fixed[entry["id"]] += entry["numbers"]["p_chance"] <= 0.05
            whenever[entry["id"]] += entry["numbers"]["p_anytime"] <= 0.05
    most = binom.isf(0.001, runs, 0.05)  # seeds are fixed: once passed, always passed
    for id_ in ("q1", "q2"):
        assert fixed[id_] <= most
        assert whenever[id_] <= most


def test_with_the_plan_it_is_the_verdict_of_the_study(study):
    document, votes, rows = study
    found, own = (
        concluded(document, *as_tables(votes, rows)),
        conclude(document, *as_tables(votes, rows)),
    )
    (more,) = [limit for limit in found["limits"] if limit not in own["limits"]]
    assert "fixed before the first vote" in more
    assert found | {"limits": own["limits"]} == own


def test_a_cut_table_is_not_said_to_be_a_study_that_ended_early(made):
    """Votes chosen after the outcome was seen look like any others."""
    document = made.plan(made.contrast("q1", "abx", (4, 4), votes=8), made.check(), listeners=10)
    votes, _ = made.simulate(document, np.random.default_rng(2), effect=1.0)
    some = [v for v in votes if v.listener in sorted({v.listener for v in votes})[:6]]
    cut = [replace(v, sequence=i) for i, v in enumerate(some, 1)]
    told = " ".join(concluded(document, as_table(cut))["contrasts"][0]["reasons"])
    assert "left out after an outcome was seen" in told
    assert "could not depend" not in told
    sealed = " ".join(
        conclude(document, as_table(cut), listeners_of(as_table(cut)))["contrasts"][0]["reasons"]
    )
    assert "could not depend" in sealed


def test_votes_for_neither_are_read_without_a_plan(made):
    asked = made.contrast("q1", "preference", (2, 2), votes=8, ties=True)
    document = made.plan(asked, listeners=6)
    ballot = made.Ballot(document, np.random.default_rng(1))
    across, _ = made.pairs_of(asked)
    for who in range(6):
        for k, pair in enumerate(across):
            ballot.cast(f"L{who}", asked, pair, "e0", None if k == who % 4 else k % 2 == 0)
    neither = sum(v.tied for v in ballot.votes)
    assert neither == 6
    (entry,) = pool(as_table(ballot.votes))["contrasts"]
    assert entry["trials"] <= len(ballot.votes) - neither


def test_without_the_listeners_table_codes_and_numbers_are_the_same(study):
    document, votes, rows = study
    bare, full = concluded(document, as_table(votes)), conclude(document, *as_tables(votes, rows))
    assert bare["contrasts"] == full["contrasts"]
    assert any("not recorded" in limit for limit in bare["limits"])


def test_a_rule_on_headphones_needs_the_listeners_table(study):
    document = study[0] | {"exclusion": {"planted_least_right": None, "headphones": "exclude"}}
    with pytest.raises(BadInput, match="headphone check"):
        concluded(document, as_table(study[1]))
    assert concluded(document, *as_tables(*study[1:]))["votes"] == len(study[1])


def test_one_listener_gets_no_number_about_people(study):
    votes = [v for v in study[1] if v.listener == study[1][0].listener]
    told = pool(as_table(votes))
    assert "All votes are by one listener." in told["limits"]
    for entry in told["contrasts"]:
        numbers = entry["numbers"]
        assert numbers["p_chance"] is not None
        for key in ("interval", "share_upper", "share_lower", "share_estimate", "dprime"):
            assert numbers[key] is None
        assert any("say nothing about other people" in note for note in entry["notes"])


def test_one_excerpt_is_said(study):
    told = pool(as_table([v for v in study[1] if v.excerpt == "e0"]))
    for entry in told["contrasts"]:
        assert entry["numbers"]["excerpt_sd"] is None
        assert any("One excerpt" in note for note in entry["notes"])


@pytest.mark.parametrize("right", [True, False])
def test_all_right_or_all_wrong_gives_no_endless_size(made, right):
    asked = made.contrast("q1", "abx")
    ballot = made.Ballot(made.plan(asked), np.random.default_rng(0))
    made.deal(ballot, asked, made.Share(60 * right, 60))
    entry = pool(as_table(ballot.votes))["contrasts"][0]
    assert entry["correct"] == 60 * right
    assert entry["numbers"]["dprime"] is None
    assert (entry["numbers"]["p_chance"] < 1e-9) is right
    assert all(v is None or np.isfinite(v) for v in every(entry["numbers"]) if isinstance(v, float))


def test_a_take_that_always_wins_does_not_break_it(made):
    asked = made.contrast("q1", "preference", (1, 1))
    ballot = made.Ballot(made.plan(asked), np.random.default_rng(0))
    made.deal(ballot, asked, made.Share(80, 80))
    entry = pool(as_table(ballot.votes))["contrasts"][0]
    assert entry["correct"] == 80
    assert entry["numbers"]["dprime"] is None


def broken(votes, how):
    first = votes[0]
    swap = {"one": "two", "two": "one"}
    return {
        "empty": [],
        "procedure": [replace(first, procedure="sniffing"), *votes[1:]],
        "two procedures": [
            replace(first, procedure="triangle", three=first.one, correct=first.answer == "two"),
            *votes[1:],
        ],
        "twice": [*votes, votes[0]],
        "answer": [replace(first, answer="three"), *votes[1:]],
        "marked": [replace(first, answer=swap[first.answer]), *votes[1:]],
        "same take": [replace(first, two=first.one, three=first.one), *votes[1:]],
    }[how]


@pytest.mark.parametrize(
    ("how", "sentence"),
    [
        ("empty", "holds no votes"),
        ("procedure", "unknown procedure 'sniffing'"),
        ("two procedures", "one contrast is asked by one procedure"),
        ("twice", "is there twice"),
        ("answer", "where one or two was possible"),
        ("marked", "by its slots and answer it is"),
        ("same take", "does not have two different takes"),
    ],
)
def test_a_table_that_contradicts_itself_is_refused_with_a_sentence(study, how, sentence):
    votes = [v for v in study[1] if v.contrast == "q1"]
    with pytest.raises(BadInput, match=sentence) as refused:
        pool(as_table(broken(votes, how)))
    assert refused.value.message.endswith(".")
    assert refused.value.hint


def test_marks_that_no_side_explains_are_refused(study):
    votes = [v for v in study[1] if v.contrast == "check"]
    wrong = [replace(votes[0], correct=not votes[0].correct), *votes[1:]]
    with pytest.raises(BadInput, match="marked"):
        pool(as_table(wrong))


def test_a_plan_of_another_study_is_refused(study, made):
    other = made.plan(made.contrast("q1", "abx", prefix="elsewhere"), made.check())
    with pytest.raises(BadInput, match="do not belong together"):
        concluded(other, as_table(study[1]))


def test_a_contrast_without_votes_is_left_without_a_claim(study):
    document, votes, _ = study
    told = concluded(document, as_table([v for v in votes if v.contrast != "q2"]))
    entry = of(told, "q2")
    assert entry["verdict"] == "not_enough"
    assert entry["numbers"]["p_chance"] is entry["numbers"]["share_upper"] is None


def test_a_listener_of_the_table_who_cast_no_such_votes_is_refused(study):
    document, votes, rows = study
    extra = ListenerRow("ghost", True, "passed", "headphones", None, 3)
    with pytest.raises(BadInput, match="ghost"):
        concluded(document, *as_tables(votes, [*rows, extra]))
