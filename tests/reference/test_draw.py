"""What a lot could have given, against plain enumeration of the lots themselves."""

import math
from collections import Counter
from itertools import permutations, product

import numpy as np
import pytest

from panel.analysis.attribution import permutation
from panel.analysis.attribution.draw import Draw, permutation_test
from panel.errors import BadInput


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(31)


def sessions(*sizes):
    """Takes of two sides in sessions, as many of either as said, side 0 first in each."""
    labels = [side for size in sizes for side in (0, 1) for _ in range(size)]
    block = [s for s, size in enumerate(sizes) for _ in range(2 * size)]
    return Draw.within(labels, block)


def by_hand(draw):
    """Every labelling by shuffling the labels of each block in every way there is."""
    places = [np.flatnonzero(draw.block == b) for b in np.unique(draw.block)]
    out = set()
    for shuffled in product(*(set(permutations(draw.labels[p].tolist())) for p in places)):
        row = draw.labels.copy()
        for place, labels in zip(places, shuffled, strict=True):
            row[place] = labels
        out.add(tuple(row.tolist()))
    return out


@pytest.mark.parametrize(
    "draw",
    [
        Draw.complete([0, 0, 0, 1, 1, 1]),
        Draw.complete([1, 0, 2, 1, 0]),
        sessions(2, 2),
        sessions(1, 2, 1),
        Draw.within([0, 1, 1, 0, 0, 1, 0], [7, 7, 7, 3, 3, 3, 5]),
        Draw.pairs([0, 1, 1, 0, 0, 1], [0, 0, 1, 1, 2, 2]),
    ],
)
def test_every_labeling_that_could_have_been_drawn_is_visited_once(rng, draw):
    visited, exact = draw.relabeled(rng)
    assert exact
    assert Counter(map(tuple, visited.tolist())) == Counter(by_hand(draw))
    assert draw.labelings == len(visited)


@pytest.mark.parametrize(
    ("draw", "directed", "undirected"),
    [
        (Draw.complete([0] * 4 + [1] * 4), 35, 35),  # SCIENCE §4: 1/35 and 1/126
        (Draw.complete([0] * 5 + [1] * 5), 126, 126),
        (Draw.complete([0] * 4 + [1] * 5), 126, 126),
        (sessions(2, 2), 18, 9),  # SCIENCE §9: 1/18 directed, 1/9 undirected
        (sessions(3, 3), 200, 100),
        (sessions(2, 2, 2), 108, 27),
        (Draw.pairs([0, 1] * 5, [0, 0, 1, 1, 2, 2, 3, 3, 4, 4]), 16, 1),
        (Draw.within([0, 1, 1, 0, 0], [0, 0, 0, 1, 1]), 3, 3),
        (Draw.within([0, 0, 1, 1], [0, 0, 1, 1]), 1, 1),
    ],
)
def test_least_p(draw, directed, undirected):
    assert draw.distinct("alike") == directed
    assert draw.distinct("each") == undirected
    assert draw.least_p("alike") == pytest.approx(1 / directed)
    assert draw.least_p("each") == pytest.approx(1 / undirected)


def test_four_doses_of_two_by_lot_have_2520_labelings():
    """SCIENCE §9: two specimens to each of four doses."""
    draw = Draw.complete(np.repeat(range(4), 2))
    assert draw.distinct("none") == draw.labelings == 2520
    assert draw.least_p("none") == pytest.approx(1 / 2520)


@pytest.mark.parametrize("draw", [sessions(2, 2), sessions(3, 1), sessions(3, 3)])
def test_the_least_p_is_reached_and_p_equals_enumeration(rng, draw):
    scores = rng.normal(size=draw.labels.size)

    def difference(visited):
        return np.array([scores[v == 1].mean() - scores[v == 0].mean() for v in visited])

    values = difference(np.array(sorted(by_hand(draw))))
    observed = difference(draw.labels[None, :])[0]
    found = permutation_test(difference, draw, rng, two_sided=True, renaming="alike")
    assert found.exact
    assert found.p == pytest.approx(np.mean(np.abs(values) >= abs(observed) - 1e-12))
    scores = draw.labels * 10.0 + draw.block
    best = permutation_test(difference, draw, rng, two_sided=True, renaming="alike")
    assert best.p == pytest.approx(best.least_p)


def test_a_complete_draw_is_the_plain_test(rng):
    labels, scores = np.repeat([0, 1], [4, 5]), rng.normal(size=9)

    def difference(visited):
        return np.array([scores[v == 1].mean() - scores[v == 0].mean() for v in visited])

    plain = permutation.permutation_test(
        difference, labels, rng, two_sided=True, interchangeable=True
    )
    assert permutation_test(
        difference, Draw.complete(labels), rng, two_sided=True, renaming="alike"
    ) == plain  # fmt: skip


def test_beyond_the_limit_lots_are_drawn_as_they_were(rng):
    draw = sessions(3, 3, 3)
    assert draw.labelings == 20**3
    visited, exact = draw.relabeled(rng, most=2_000)
    assert not exact
    for b in range(3):
        assert np.all(visited[:, draw.block == b].sum(axis=1) == 3)
    assert np.mean(visited, axis=0) == pytest.approx(0.5, abs=5 * math.sqrt(0.25 / 2_000))
    assert draw.least_p("alike", most=2_000) == pytest.approx(1 / 2_001)


def test_a_session_drifting_by_itself_makes_nothing_false(rng):
    """Sessions differ by much and one has more of one side: within sessions p stays honest, while
    shuffling over sessions would not."""
    labels, block = [0, 0, 0, 1, 0, 1, 1, 1], [0, 0, 0, 0, 1, 1, 1, 1]
    within, over, ps = Draw.within(labels, block), Draw.complete(labels), []
    for _ in range(300):
        scores = 3.0 * np.array(block) + rng.normal(size=8)

        def difference(visited, scores=scores):
            return np.array([scores[v == 1].mean() - scores[v == 0].mean() for v in visited])

        ps.append(
            [
                permutation_test(difference, d, rng, two_sided=True, renaming="alike").p
                for d in (within, over)
            ]
        )
    false = np.mean(np.array(ps) <= 0.15, axis=0)
    assert false[0] <= 0.15 + 3 * math.sqrt(0.15 * 0.85 / 300)
    assert false[1] > 0.15 + 3 * math.sqrt(0.15 * 0.85 / 300)


def test_bad_draws_are_refused(rng):
    with pytest.raises(BadInput, match="session"):
        Draw.within([0, 1], [0])
    with pytest.raises(BadInput, match="either side"):
        Draw.pairs([0, 0, 1, 1], [0, 0, 1, 1])
    nothing = permutation_test(
        lambda v: np.ones(len(v)), Draw.complete([0, 0]), rng, two_sided=False, renaming="none"
    )
    assert (nothing.p, nothing.least_p) == (1.0, 1.0)
