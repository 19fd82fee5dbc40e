"""Power and sample sizes against published and independently computed values.

Marks: "VALUES §1, §2, §7, §9" and "SCIENCE §4" are computations made for this project by other
routes (exact sums, quadrature, simulation) before this code was written; where a standard prints
the same figure it is named. The standards' own tables A.3 are remembered, not read.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from panel.analysis.counts import anytime
from panel.analysis.counts.shares import share_upper
from panel.design.floor import floor_sentence, labelings, least_p, reaches, takes_needed
from panel.design.power.attribution import attribution_power
from panel.design.power.procedure_choice import options
from panel.design.power.votes import (
    across_share,
    anytime_cost,
    listeners_for_limit,
    listeners_for_votes,
    people_for_limit,
    power,
    power_curve,
    share_right,
    votes_needed,
)
from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES

# Triangle, alpha .05, share who can hear: first n with power .80/.90/.95/.99/.999.
# VALUES §1 [computed]; equal to ISO 4120 Table A.3 and ASTM E1885 as remembered [memory].
TRIANGLE = {
    0.5: (16, 20, 23, 35, 48),
    0.4: (23, 30, 40, 57, 79),
    0.3: (40, 53, 66, 98, 136),
    0.2: (87, 117, 147, 213, 305),
    0.1: (325, 447, 572, 828, 1178),
}
# Duo-trio, hence chance 1/2 one-sided, hence ABX. VALUES §1 [computed].
ONE_HALF = {
    0.5: (23, 33, 42, 58, 82),
    0.4: (37, 53, 67, 93, 132),
    0.3: (69, 93, 119, 173, 243),
    0.2: (158, 213, 268, 392, 554),
    0.1: (620, 866, 1092, 1583, 2237),
}
WANTED = (0.80, 0.90, 0.95, 0.99, 0.999)


@pytest.mark.parametrize(
    ("code", "hearing", "n", "wanted"),
    [
        (code, hearing, n, wanted)
        for code, table in (("triangle", TRIANGLE), ("abx", ONE_HALF))
        for hearing, row in table.items()
        for n, wanted in zip(row, WANTED, strict=True)
    ],
)
def test_votes_needed_are_those_of_the_tables(code, hearing, n, wanted):
    right = share_right(code, hearing=hearing)
    assert votes_needed(code, right, 0.05, wanted).first == n


@pytest.mark.parametrize(
    ("code", "dprime", "n"),
    [  # VALUES §2: trials for 80 % power, alpha .05, one-sided
        ("triangle", 0.5, 2756), ("triangle", 1.0, 202), ("triangle", 1.5, 53), ("triangle", 2, 23),
        ("tetrad", 1.0, 61), ("tetrad", 2.0, 7),
        ("abx", 0.5, 3107), ("abx", 1.0, 228), ("abx", 1.5, 60), ("abx", 2.0, 26),
    ],
)  # fmt: skip
def test_votes_needed_by_sensitivity(code, dprime, n):
    assert votes_needed(code, share_right(code, dprime=dprime)).first == n


def test_power_is_a_saw_tooth_and_is_shown_as_such():
    # VALUES §1: triangle, pd 30 %: .905 at 53, .879 at 54 and 56, >= .90 only from 57 on.
    right = share_right("triangle", hearing=0.3)
    shown = dict(power_curve("triangle", right, 0.05, range(53, 60)))
    assert shown[53] == pytest.approx(0.905, abs=5e-4)
    assert shown[54] == pytest.approx(0.879, abs=5e-4)
    assert shown[56] == pytest.approx(0.879, abs=5e-4)
    needed = votes_needed("triangle", right, 0.05, 0.9)
    assert (needed.first, needed.stays) == (53, 57)


@pytest.mark.parametrize("hearing", [0.2, 0.35, 0.5])
@pytest.mark.parametrize("code", ["abx", "triangle", "attribute"])
def test_from_stays_on_the_power_never_falls_again(code, hearing):
    right = share_right(code, hearing=hearing)
    needed = votes_needed(code, right, 0.05, 0.8)
    assert min(power(code, n, right) for n in range(needed.stays, 4 * needed.stays)) >= 0.8
    assert needed.first == needed.stays or power(code, needed.stays - 1, right) < 0.8


def test_published_power_of_a_triangle():
    # VALUES §1: n = 35, x >= 17 has P .0442 by guessing and power .8417 at pd = 1/3; a stored
    # page prints the same.
    assert power("triangle", 35, share_right("triangle", hearing=1 / 3), 0.0443) == pytest.approx(
        0.8417, abs=5e-5
    )


@pytest.mark.parametrize("n", [12, 23, 40, 97])
def test_directed_power_is_the_two_sided_sign_test(n):
    # Against scipy.stats: both tails of a fair coin at alpha/2 each, no other route in common.
    right = share_right("attribute", dprime=1.0)
    low = binom.ppf(0.025, n, 0.5) - 1
    while binom.cdf(low + 1, n, 0.5) <= 0.025:
        low += 1
    expected = binom.cdf(low, n, right) + binom.sf(n - low - 1, n, right)
    assert power("attribute", n, right) == pytest.approx(expected, rel=1e-9)


def test_a_directed_question_is_about_ten_times_cheaper():
    # SCIENCE §4: d′ = 1, one-sided 2-AFC 23 votes, duo-trio (here ABX) 228. Ours is two-sided,
    # so it costs a third more than the one-sided 23: exact by scipy in the test above.
    directed = votes_needed("attribute", share_right("attribute", dprime=1.0)).first
    undirected = votes_needed("abx", share_right("abx", dprime=1.0)).first
    assert 23 < directed <= 31
    assert undirected == 228


# VALUES §9: people, one vote each, for "at most the limit" with 80/90/95 % if nobody hears.
@pytest.mark.parametrize(
    ("chance", "limit", "people"),
    [
        (1 / 3, 0.5, (16, 20, 23)), (1 / 3, 0.4, (25, 30, 40)), (1 / 3, 0.3, (39, 54, 66)),
        (1 / 3, 0.2, (86, 119, 147)), (1 / 3, 0.1, (325, 457, 572)),
        (1 / 2, 0.5, (26, 33, 42)), (1 / 2, 0.4, (39, 53, 67)), (1 / 2, 0.3, (68, 96, 119)),
        (1 / 2, 0.2, (158, 214, 268)), (1 / 2, 0.1, (618, 861, 1092)),
    ],
)  # fmt: skip
def test_people_for_a_limit(chance, limit, people):
    found = tuple(people_for_limit(chance, limit, wanted) for wanted in (0.8, 0.9, 0.95))
    assert found == people


def test_one_vote_each_is_the_same_by_either_route():
    # The listeners' bound with one vote each is the binomial's limit; simulated, so ±15 %.
    simulated = listeners_for_limit(np.random.default_rng(4), 1 / 2, 0.3, 1)
    assert simulated == pytest.approx(people_for_limit(1 / 2, 0.3), rel=0.15)


def test_the_planned_listeners_do_reach_the_limit_as_often_as_promised():
    # A simulation apart: fresh panels that only guess, the bound of each worked out in full.
    rng = np.random.default_rng(5)
    count = listeners_for_limit(rng, 1 / 2, 0.25, 9)
    reached = [share_upper(rng.binomial(9, 0.5, count) / 9, 0.5) < 0.25 for _ in range(200)]
    assert np.mean(reached) == pytest.approx(0.8, abs=0.1)  # three standard errors are .085


# Takes: ways to put the labels, SCIENCE §4 and VALUES §8.
@pytest.mark.parametrize(
    ("sizes", "ways"), [((2, 2), 3), ((3, 3), 10), ((4, 4), 35), ((5, 5), 126), ((4, 5), 126)]
)
def test_the_floor_of_attribution(sizes, ways):
    assert labelings(sizes) == ways
    assert least_p(sizes) == pytest.approx(1 / ways)


def test_with_a_dose_labelings_are_the_multinomial():
    # 16! / 4!^4 = 63 063 000, a textbook multinomial coefficient.
    assert labelings((4, 4, 4, 4), dose=True) == 63_063_000


def test_three_questions_need_five_takes_a_side():
    # SCIENCE §4: with Holm over three questions the least p must pass 1/60: 1/35 never does.
    assert takes_needed(0.05) == 4
    assert takes_needed(0.05, 3) == 5
    assert not reaches((4, 4), 0.05, 3)
    assert reaches((5, 5), 0.05, 3)
    assert not reaches((1, 1), 0.05)
    assert "1/35" in floor_sentence((4, 4), 0.05, 3)
    assert "five takes" in floor_sentence((4, 4), 0.05, 3)
    assert "1/3," in floor_sentence((2, 2))
    assert floor_sentence((4, 4)) == ""


@pytest.mark.parametrize(
    ("code", "right", "mean", "median", "by_80"),
    [("abx", 0.65, 83.0, 68, 133), ("abx", 0.75, 27.8, 23, 43),
     ("attribute", 0.65, 100.5, 88, 155), ("attribute", 0.75, 33.9, 28, 50)],
)  # fmt: skip
def test_votes_of_an_anytime_plan(code, right, mean, median, by_80):
    # VALUES §7 [computed]: uniform mixture at 1/2, one-sided and two-sided; 20,000 simulated runs.
    cost = anytime_cost(code, right)
    assert cost.reached > 0.9999
    assert cost.mean == pytest.approx(mean, rel=0.01)
    assert cost.median == pytest.approx(median, abs=1)
    assert cost.by_80 == pytest.approx(by_80, abs=1)
    assert cost.by_80 < cost.by_90


def test_mean_votes_at_a_small_difference():
    # SCIENCE §5 [computed, simulated]: p = .60: 203.
    assert anytime_cost("abx", 0.60).mean == pytest.approx(203, rel=0.02)


@pytest.mark.parametrize(
    ("right", "votes", "reached"),
    # VALUES §7: a cap of 50 or 100 votes; and how often guessers ever pass, to 500 and 2,000.
    [(0.65, 100, 0.678), (0.65, 50, 0.379), (0.75, 100, 0.995), (0.75, 50, 0.864),
     (0.5, 100, 0.029), (0.5, 500, 0.035), (0.5, 2000, 0.037)],
)  # fmt: skip
def test_power_of_an_anytime_plan_with_an_end(right, votes, reached):
    assert power("abx", votes, right, anytime_valid=True) == pytest.approx(reached, abs=0.003)
    assert anytime_cost("abx", right, cap=votes).reached == pytest.approx(reached, abs=0.003)


def test_an_anytime_plan_that_ends_too_soon_names_no_number_it_cannot_keep():
    cost = anytime_cost("abx", 0.65, cap=100)
    assert cost.median == 68
    assert cost.by_80 is cost.by_90 is None
    assert anytime_cost("abx", 0.5, cap=3).mean is None  # 7 of 7 is the first that can pass


@pytest.mark.parametrize("code", ["abx", "triangle", "attribute"])
def test_anytime_power_is_that_of_every_sequence_of_answers(code):
    """All 2^13 sequences through the very test of the verdict, weighted by their probability."""
    votes, right, alpha = 13, 0.8, 0.05
    chance = 1 / 3 if code == "triangle" else 0.5
    test = anytime.p_anytime_two_sided if code == "attribute" else anytime.p_anytime
    total = 0.0
    for number in range(1 << votes):
        answers = [number >> i & 1 for i in range(votes)]
        if test(answers, chance) <= alpha:
            total += right ** sum(answers) * (1 - right) ** (votes - sum(answers))
    assert power(code, votes, right, alpha, anytime_valid=True) == pytest.approx(total, abs=1e-9)
    (_, by_picture), (_, at_end) = power_curve(code, right, alpha, [7, votes], anytime_valid=True)
    assert by_picture < at_end == pytest.approx(total, abs=1e-9)


@pytest.mark.parametrize(
    ("code", "takes", "dprime", "spread", "listeners", "votes", "wanted"),
    [  # SCIENCE §4, listeners' sensitivities log-normal with spread 0.5; 600 runs there
        ("attribute", 4, 1.0, 0.1, 16, 12, 0.92),
        ("attribute", 5, 1.0, 0.1, 16, 12, 0.99),
        ("attribute", 4, 1.0, 0.25, 16, 12, 0.77),
        ("attribute", 5, 1.0, 0.25, 16, 12, 0.93),
        ("attribute", 4, 0.5, 0.1, 40, 24, 0.90),
        ("attribute", 5, 0.5, 0.1, 40, 24, 0.98),
        ("attribute", 4, 0.5, 0.25, 40, 24, 0.40),
        ("attribute", 5, 0.5, 0.25, 40, 24, 0.67),
    ],
)
def test_power_of_attribution(code, takes, dprime, spread, listeners, votes, wanted):
    found = attribution_power(
        np.random.default_rng(8), code, (takes, takes), dprime,
        listeners=listeners, votes_each=votes, take_spread=spread, runs=400,
    )  # fmt: skip
    assert found.power == pytest.approx(wanted, abs=0.08)


@pytest.mark.parametrize("code", ["abx", "triangle"])
@pytest.mark.parametrize(
    ("dprime", "spread", "low", "high"),
    [(1.0, 0.25, 0.63, 0.80), (1.5, 0.25, 0.96, 0.99), (1.0, 0.5, 0.36, 0.52),
     (1.5, 0.5, 0.68, 0.89), (2.0, 0.5, 0.93, 0.99)],
)  # fmt: skip
def test_power_of_undirected_attribution(code, dprime, spread, low, high):
    # SCIENCE §4: 40 listeners × 24 votes, four and five takes a side span these ranges.
    found = attribution_power(
        np.random.default_rng(9), code, (4, 4), dprime,
        listeners=40, votes_each=24, take_spread=spread, runs=300,
    )  # fmt: skip
    assert low - 0.08 <= found.power <= high + 0.08


@pytest.mark.parametrize("code", ["abx", "attribute"])
@pytest.mark.parametrize("spread", [0.25, 1.0])
def test_attribution_of_nothing_is_rare_at_any_take_spread(code, spread):
    found = attribution_power(
        np.random.default_rng(10), code, (5, 5), 0.0,
        listeners=20, votes_each=18, take_spread=spread, runs=400,
    )  # fmt: skip
    assert found.power <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


def test_pairs_across_in_a_round_robin():
    assert across_share((4, 4)) == pytest.approx(16 / 28)
    assert across_share((5, 5)) == pytest.approx(25 / 45)
    assert across_share((1, 1)) == 1
    assert across_share((4, 4, 4, 4)) == pytest.approx(96 / 120)
    assert listeners_for_votes(228, 16, (5, 5)) == 26  # 228 / (16 · 25/45) = 25.65


def test_share_right_wants_exactly_one_description():
    for wrong in ({}, {"dprime": 1.0, "hearing": 0.5}, {"hearing": 1.5}):
        with pytest.raises(BadInput):
            share_right("abx", **wrong)


@pytest.mark.parametrize(
    ("purpose", "first"),
    [("direction", "attribute"), ("liking", "preference"), ("audibility", "abx")],
)
def test_the_planner_proposes_by_purpose_and_says_why(purpose, first):
    found = options(purpose)
    assert found[0].code == first
    assert {option.code for option in found} == set(PROCEDURES)
    assert dict(found[0].votes)[1.0].first
    assert all(option.why for option in found)


def test_a_trend_over_four_doses_is_attributed_with_four_takes_each():
    # SCIENCE §4: a numeric factor does better, having permutations in plenty. Known truth: with
    # no spread of takes and a strong trend nothing can hide it; with none, at most alpha.
    doses = [0.0, 1.0, 2.0, 3.0]
    sure = attribution_power(
        np.random.default_rng(11), "attribute", (4, 4, 4, 4), 3.0,
        listeners=40, votes_each=12, take_spread=0.0, doses=doses, runs=12,
    )  # fmt: skip
    none = attribution_power(
        np.random.default_rng(12), "attribute", (4, 4, 4, 4), 0.0,
        listeners=20, votes_each=12, take_spread=0.5, doses=doses, runs=80,
    )  # fmt: skip
    assert sure.power == 1
    assert none.power <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 80)
