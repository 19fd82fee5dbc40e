"""The schedule is balanced and blind to condition; keys are independent and uniform."""

from __future__ import annotations

import itertools
import math
import random
from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from panel.design.plan import build
from panel.design.schedule import (
    SeededStream,
    contrast_pairs,
    deck,
    deck_size,
    draw_key,
    draw_keys,
    listener_trials,
    round_robin_pairs,
)
from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES
from panel.study.conditions import Condition
from panel.study.plan import Contrast, PlanExcerpt

from .conftest import study


def contrast(plan, name):
    return plan.contrast(name)


def test_round_robin_holds_each_unordered_pair_once():
    pairs = round_robin_pairs(["d", "a", "c", "b", "e"])
    assert len(pairs) == 10  # 5 · 4 / 2
    assert {frozenset(pair) for pair in pairs} == {
        frozenset(pair) for pair in itertools.combinations("abcde", 2)
    }


def test_pairs_within_a_condition_are_asked_about_too(plan):
    pairs = contrast_pairs(contrast(plan, "q1"))
    assert len(pairs) == 45
    assert ("t01", "t04") in pairs  # both hide glue
    assert ("t01", "t02") in pairs  # across


@pytest.mark.parametrize("name", ["q1", "q2", "check"])
@pytest.mark.parametrize("number", [0, 1, 7])
def test_each_deck_holds_each_pair_and_excerpt_once(plan, name, number):
    entry = contrast(plan, name)
    cards = deck(plan, entry, number)
    wanted = list(itertools.product(contrast_pairs(entry), ["e1", "e2"]))
    assert len(cards) == deck_size(plan, entry) == len(wanted)
    assert sorted(cards) == sorted(wanted)


def test_consecutive_listeners_share_decks_without_gap_or_repeat(plan):
    size = deck_size(plan, contrast(plan, "q1"))  # 90 cards, 16 a listener: 45 listeners, 8 decks
    listeners = 45
    seen = Counter(
        (trial.take_a, trial.take_b, trial.excerpt)
        for ordinal in range(listeners)
        for trial in listener_trials(plan, ordinal)
        if trial.contrast == "q1"
    )
    assert len(seen) == size
    assert set(seen.values()) == {listeners * 16 // size}


def test_every_listener_gets_the_planned_number_of_each_contrast(plan):
    for ordinal in range(12):
        counts = Counter(trial.contrast for trial in listener_trials(plan, ordinal))
        assert counts == {"q1": 16, "q2": 6, "check": 4}
    assert plan.votes_per_listener == 26


def test_a_short_hand_still_has_its_takes_well_spread(plan):
    # 16 cards of a 10-take round robin come from at most 5 rounds of 5 disjoint pairs.
    for ordinal in range(30):
        takes = Counter()
        for trial in listener_trials(plan, ordinal):
            if trial.contrast == "q1":
                takes.update([trial.take_a, trial.take_b])
        assert max(takes.values()) <= 6
        assert sum(takes.values()) == 32


def test_the_schedule_does_not_know_which_condition_a_take_has():
    """Swap the takes of the two conditions at will: the same pairs come in the same order."""
    plan = build(**study())
    question = contrast(plan, "q1")
    takes = [take for side in question.sides for take in side]
    order = random.Random(5)
    for _ in range(20):
        order.shuffle(takes)
        sides = (Condition("a", tuple(takes[:5])), Condition("b", tuple(takes[5:])))
        turned = replace(question, conditions=sides)
        others = [turned if entry is question else entry for entry in plan.contrasts]
        relabelled = replace(plan, contrasts=tuple(others))
        for ordinal in (0, 3, 17):
            assert listener_trials(relabelled, ordinal) == listener_trials(plan, ordinal)


def test_a_pair_across_is_no_more_likely_early_than_a_pair_within(plan):
    # 25 of the 45 pairs lie across; over many first trials the share must be that.
    sides = contrast(plan, "q1").side_of
    across = total = 0
    for ordinal in range(900):
        first = next(t for t in listener_trials(plan, ordinal) if t.contrast == "q1")
        across += sides[first.take_a] != sides[first.take_b]
        total += 1
    assert chisquare([across, total - across], [total * 25 / 45, total * 20 / 45]).pvalue > 1e-4


def test_blocks_hold_one_procedure_and_attribute_and_come_in_both_orders(plan):
    orders = set()
    for ordinal in range(40):
        trials = listener_trials(plan, ordinal)
        assert [trial.block for trial in trials] == sorted(trial.block for trial in trials)
        kinds = {}
        for trial in trials:
            kinds.setdefault(trial.block, set()).add(trial.procedure)
        assert all(len(kind) == 1 for kind in kinds.values())
        orders.add(tuple(next(iter(kinds[block])) for block in sorted(kinds)))
    assert orders == {("abx", "attribute"), ("attribute", "abx")}


def test_planted_checks_are_spread_over_their_block(plan):
    first_places = set()
    for ordinal in range(60):
        block = [t for t in listener_trials(plan, ordinal) if t.procedure == "abx"]
        places = [index for index, trial in enumerate(block) if trial.contrast == "check"]
        # 16 questions in four stretches of four: check i lies in stretch i.
        for number, place in enumerate(places):
            assert 4 * number <= place - number <= 4 * (number + 1)
        first_places.add(places[0])
    assert first_places == {0, 1, 2, 3, 4}  # nobody can know which trial is the check


def test_another_seed_gives_another_schedule_and_the_same_seed_the_same(plan):
    again = build(**study())
    other = build(**study(schedule_seed="ff" * 16))
    assert listener_trials(plan, 3) == listener_trials(again, 3)
    assert listener_trials(plan, 3) != listener_trials(other, 3)


def test_no_two_listeners_have_the_same_list(plan):
    lists = [tuple(listener_trials(plan, ordinal)) for ordinal in range(50)]
    assert len(set(lists)) == 50


def test_a_late_listener_costs_no_more_decks_than_an_early_one(plan, monkeypatch):
    """O(deck), whatever the ordinal: the ten-thousandth listener shuffles as much as the first."""
    drawn = Counter()
    below = SeededStream.below

    def counting(self, n):
        drawn["calls"] += 1
        return below(self, n)

    monkeypatch.setattr(SeededStream, "below", counting)
    costs = []
    for ordinal in (0, 9_999, 1_000_000):
        drawn.clear()
        listener_trials(plan, ordinal)
        costs.append(drawn["calls"])
    assert max(costs) <= 2 * min(costs) + 200


def test_one_take_a_side_is_the_single_pair():
    wanted = study()
    question = wanted["contrasts"][0]
    conditions = tuple(type(side)(side.label, side.takes[:1]) for side in question.conditions)
    single = type(question)("q1", "Two recordings", "question", "abx", conditions, 8)
    plan = build(**study(contrasts=[single], planted_least_right=None))
    assert [entry.id for entry in plan.contrasts] == ["q1"]  # no retakes, no control
    trials = listener_trials(plan, 0)
    assert {(t.take_a, t.take_b) for t in trials} == {("t01", "t02")}
    assert Counter(t.excerpt for t in trials) == {"e1": 4, "e2": 4}


def test_negative_ordinals_are_refused(plan):
    with pytest.raises(BadInput, match="zero"):
        listener_trials(plan, -1)


# Each (slots, right) that can occur, by hand, for the pair a, b.
ARRANGEMENTS = {
    "abx": {
        (("a", "b", "a"), 0), (("a", "b", "b"), 1), (("b", "a", "b"), 0), (("b", "a", "a"), 1),
    },
    "triangle": {
        (("a", "b", "b"), 0), (("b", "a", "b"), 1), (("b", "b", "a"), 2),
        (("b", "a", "a"), 0), (("a", "b", "a"), 1), (("a", "a", "b"), 2),
    },
    "duo_trio": {
        (("a", "a", "b"), 1), (("a", "b", "a"), 2), (("b", "b", "a"), 1), (("b", "a", "b"), 2),
    },
    # The take after the two that are played is the other one of the pair.
    "same_different": {
        (("a", "b"), 4), (("b", "a"), 4), (("a", "a", "b"), 3), (("b", "b", "a"), 3),
    },
    # The first of the pair and the first reminder are of the kind that is asked for.
    "reminder": {(("a", "b", "c", "d"), 0), (("b", "a", "c", "d"), 1)},
    "tetrad": {
        (("a", "a", "b", "b"), 1), (("a", "b", "a", "b"), 2), (("a", "b", "b", "a"), 6),
        (("b", "b", "a", "a"), 1), (("b", "a", "b", "a"), 2), (("b", "a", "a", "b"), 6),
    },
    "attribute": {(("a", "b"), None), (("b", "a"), None)},
    "preference": {(("a", "b"), None), (("b", "a"), None)},
}  # fmt: skip


@pytest.mark.parametrize("code", sorted(PROCEDURES))
def test_every_arrangement_comes_up_and_none_other_equally_often(code):
    source = random.Random(20)  # seeded: the test must not fail by chance
    drawn = Counter()
    for _ in range(12_000):
        reminders = ("c", "d") if code == "reminder" else ()
        keyed = draw_key(code, ("a", "b"), source.randrange, reminders=reminders)
        drawn[keyed.slots, keyed.right] += 1
    assert set(drawn) == ARRANGEMENTS[code]
    assert chisquare(list(drawn.values())).pvalue > 1e-3


def test_preferences_with_and_without_neither_stand_in_blocks_of_their_own(plan):
    liked = [
        replace(contrast(plan, "q1"), id=f"p{number}", procedure="preference", ties=ties)
        for number, ties in ((1, True), (2, False))
    ]
    both = replace(plan, contrasts=(*plan.contrasts, *liked))
    for ordinal in range(5):
        kinds = {}
        for trial in listener_trials(both, ordinal):
            kinds.setdefault(trial.block, set()).add(trial.contrast)
        assert {"p1"} in kinds.values()
        assert {"p2"} in kinds.values()


def test_reminders_are_other_takes_of_the_same_conditions_under_names_drawn_once(plan):
    entry = replace(contrast(plan, "q1"), id="m1", procedure="reminder")
    with_reminder = replace(plan, contrasts=(*plan.contrasts, entry))
    side = entry.side_of
    source = random.Random(4)
    first_named, rights, met = Counter(), Counter(), Counter()
    for ordinal in range(60):
        dealt = listener_trials(with_reminder, ordinal)
        keys = draw_keys(with_reminder, dealt, source.randrange)
        own = [key for trial, key in zip(dealt, keys, strict=True) if trial.contrast == "m1"]
        assert len(own) == 16
        for key in own:
            one, two, three, four = key.slots
            assert len({one, two, three, four}) == 4
            assert side[one] != side[two]
            assert side[three] != side[four]
            assert side[key.slots[key.right]] == side[three]
            met[three] += 1
            rights[key.right] += 1
        (named,) = {side[key.slots[2]] for key in own}  # one name, one kind, all along
        first_named[named] += 1
    assert chisquare(list(first_named.values())).pvalue > 1e-3
    assert chisquare(list(rights.values())).pvalue > 1e-3
    assert len(met) == 10  # every take reminds at some time
    others = [t for t in listener_trials(with_reminder, 3) if t.contrast != "m1"]
    assert all(not trial.reminders for trial in others)


def test_a_key_tells_nothing_about_the_next():
    source = random.Random(21)
    keys = [draw_key("abx", ("a", "b"), source.randrange).right for _ in range(20_000)]
    assert chisquare(list(Counter(itertools.pairwise(keys)).values())).pvalue > 1e-3


def test_keys_come_from_the_systems_secure_generator_unless_told_otherwise():
    import secrets

    assert draw_key.__defaults__ == (secrets.randbelow,)


def test_scripted_key():
    script = iter([1, 0])
    keyed = draw_key("abx", ("a", "b"), lambda n: next(script))
    assert keyed.slots == ("b", "a", "b")
    assert keyed.right == 0


def test_a_pair_of_one_take_is_refused():
    with pytest.raises(BadInput, match="two different takes"):
        draw_key("abx", ("a", "a"))


@settings(max_examples=60, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 5), min_size=2, max_size=4),
    excerpts=st.integers(1, 4),
    votes=st.integers(1, 40),
    seed=st.integers(0, 2**64),
)
def test_any_round_robin_comes_out_equal_over_whole_decks(sizes, excerpts, votes, seed):
    names = (f"t{index:02d}" for index in itertools.count())
    sides = [Condition(str(size), tuple(next(names) for _ in range(size))) for size in sizes]
    entry = Contrast("q", "Any", "question", "abx", tuple(sides), votes)
    plan = replace(
        build(**study()),
        schedule_seed=f"{seed:032x}",
        excerpts=tuple(PlanExcerpt(f"e{index}", 0.0, 5.0) for index in range(excerpts)),
        contrasts=(entry,),
    )
    size = deck_size(plan, entry)
    listeners = size // math.gcd(size, votes)  # together they use up whole decks
    seen = Counter(
        (trial.take_a, trial.take_b, trial.excerpt)
        for ordinal in range(listeners)
        for trial in listener_trials(plan, ordinal)
    )
    assert len(seen) == size
    assert set(seen.values()) == {listeners * votes // size}
