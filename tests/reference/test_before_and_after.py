"""What cannot be taken back: against brute force and SciPy, and false claims by simulation."""

import math
from itertools import combinations

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr

from panel.analysis.attribution import before_and_after
from panel.analysis.attribution.draw import Draw
from panel.errors import BadInput
from panel.procedures.curves import CURVES

SLACK = 3 * math.sqrt(0.05 * 0.95)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(71)


def dealt(rng, kinds, votes):
    rounds = -(-votes // kinds)
    return np.concatenate([rng.permutation(kinds) for _ in range(rounds)])[:votes]


def by_lot(rng, side, change, liking, each=20):
    """Votes on own before against own after; `change` (specimens,): d′ between the two."""
    listener = np.repeat(np.arange(len(liking)), each)
    specimen = dealt(rng, 2 * side, listener.size)
    lead = liking[listener] * change[specimen]
    return listener, specimen, lead


@pytest.mark.parametrize("kind", ["undirected", "directed"])
def test_by_lot_equals_brute_force(rng, kind):
    aged = np.array([0, 1, 1, 0, 0, 1, 1, 0])
    listener, specimen, lead = by_lot(rng, 4, aged * 1.5, np.ones(6))
    keep = rng.random(lead.size) < np.where(listener < 2, 0.6, 1.0)
    listener, specimen, lead = listener[keep], specimen[keep], lead[keep]
    y = (rng.random(lead.size) < ndtr(lead)).astype(float)
    excerpt = np.zeros(y.size, int)
    weight = 1 / np.bincount(listener)[listener]
    own = np.array([np.average(y[specimen == s], weights=weight[specimen == s]) for s in range(8)])
    values = [
        abs(own[list(side)].mean() - np.delete(own, side).mean())
        for side in combinations(range(8), 4)
    ]
    observed = own[aged == 1].mean() - own[aged == 0].mean()
    p = np.mean(np.array(values) >= abs(observed) - 1e-9)
    test = getattr(before_and_after, f"{kind}_by_lot")
    found = test(y, listener, specimen, excerpt, Draw.complete(aged), rng)
    if kind == "undirected":
        assert found.p == pytest.approx(p)
        assert found.statistic == pytest.approx(observed)
        assert found.least_p == pytest.approx(1 / 35)
        return
    assert found.p_units == pytest.approx(p)
    scores = [
        y[(listener == w) & (aged[specimen] == 1)].mean()
        - y[(listener == w) & (aged[specimen] == 0)].mean()
        for w in range(6)
    ]
    assert found.mean == pytest.approx(np.mean(scores))
    v1, v2 = np.var(scores, ddof=1) / 6, sum(own[aged == s].var(ddof=1) / 4 for s in (0, 1))
    assert found.over_both.f == pytest.approx(np.mean(scores) ** 2 / (v1 + v2))


def test_an_excerpt_that_shows_a_change_more_is_no_growth(rng):
    """Aged ones were heard more with the telling excerpt, in which all are told apart."""
    rows = [
        (s, e, float(e or k % 2))
        for s in range(8)
        for e in (0, 1)
        for k in range(8 if (s < 4) == (e == 0) else 4)
    ]
    specimen, excerpt, y = (np.array(c) for c in zip(*rows, strict=True))
    found = before_and_after.undirected_by_lot(
        y, np.zeros(y.size, int), specimen, excerpt, Draw.complete([0] * 4 + [1] * 4), rng
    )
    assert found.statistic == pytest.approx(0.0, abs=1e-12)
    assert found.p == 1.0


@pytest.mark.parametrize("shift", [0.0, 1.5])
def test_a_shift_that_all_share_makes_no_growth(rng, shift):
    """Another room, another day: everything changed alike, and specimens scatter."""
    aged, runs, false = np.repeat([0, 1], 5), 200, np.zeros((200, 2))
    draw = Draw.complete(aged)
    for run in range(runs):
        change = shift + rng.normal(0, 0.5, 10)
        listener, specimen, lead = by_lot(rng, 5, change, np.ones(16))
        excerpt = np.zeros(lead.size, int)
        heard = rng.random(lead.size) < CURVES["abx"].probability(np.abs(lead))
        chosen = rng.random(lead.size) < ndtr(lead / math.sqrt(2))
        false[run] = (
            before_and_after.undirected_by_lot(
                heard.astype(float), listener, specimen, excerpt, draw, rng
            ).p,
            before_and_after.directed_by_lot(
                chosen.astype(float), listener, specimen, excerpt, draw, rng
            ).p,
        )
    assert np.all(np.mean(false <= 0.05, axis=0) <= 0.05 + SLACK / math.sqrt(runs))


def test_growth_is_found_by_lot(rng):
    """SCIENCE §9: growth of 1 d′, 5 + 5, 400 directed votes: .98 before listeners are joined."""
    aged, hits = np.repeat([0, 1], 5), 0
    for _ in range(40):
        listener, specimen, lead = by_lot(rng, 5, aged + rng.normal(0, 0.14, 10), np.ones(20))
        y = (rng.random(lead.size) < ndtr(lead / math.sqrt(2))).astype(float)
        found = before_and_after.directed_by_lot(
            y, listener, specimen, np.zeros(y.size, int), Draw.complete(aged), rng
        )
        hits += found.p_units <= 0.05
    assert hits >= 35


def over_sessions(rng, count, liking, wander, each):
    after = np.repeat([False, True], count)
    place = 0.4 + rng.normal(0, wander * math.sqrt(2), 2 * count)
    listener = np.repeat(np.arange(len(liking)), each)
    session = dealt(rng, 2 * count, listener.size)
    lead = liking[listener] * after[session] + place[session]
    y = (rng.random(listener.size) < ndtr(lead / math.sqrt(2))).astype(float)
    return y, listener, session, after


def test_directed_over_sessions_is_welchs_t_of_their_shares(rng):
    y, listener, session, after = over_sessions(rng, 4, np.ones(10), 0.3, 24)
    found = before_and_after.directed_over_sessions(y, listener, session, after, rng)
    own = np.array([y[session == s].mean() for s in range(8)])  # all voted alike often
    reference = stats.ttest_ind(own[4:], own[:4], equal_var=False)
    assert found.p_units == pytest.approx(reference.pvalue)
    late = after[session]
    scores = np.array(
        [y[late & (listener == w)].mean() - y[~late & (listener == w)].mean() for w in range(10)]
    )
    assert found.mean == pytest.approx(scores.mean())
    v1 = scores.var(ddof=1) / 10
    v2 = own[:4].var(ddof=1) / 4 + own[4:].var(ddof=1) / 4
    assert found.over_both.f == pytest.approx(scores.mean() ** 2 / (v1 + v2))
    assert found.p >= found.p_units


@pytest.mark.parametrize("panel", ["nil", "halved"])
def test_a_companion_over_sessions_that_wander(rng, panel):
    runs, ps = 200, []
    for _ in range(runs):
        liking = np.zeros(16) if panel == "nil" else rng.choice([-1.0, 1.0], 16)
        votes = over_sessions(rng, 4, liking, 0.25, 12)
        ps.append(before_and_after.directed_over_sessions(*votes, rng).p)
    assert np.mean(np.array(ps) <= 0.05) <= 0.05 + SLACK / math.sqrt(runs)
    grown = [
        before_and_after.directed_over_sessions(
            *over_sessions(rng, 4, rng.normal(1, 0.3, 20), 0.1, 24), rng
        ).p
        for _ in range(40)
    ]
    assert np.mean(np.array(grown) <= 0.05) > 0.8


def undirected_votes(rng, count, growth, wander, shift, listeners=30, each=24):
    after = np.repeat([False, True], count)
    places = rng.normal(0, wander, (2, 2 * count)) + shift * after
    places[1] += growth * after
    listener = np.repeat(np.arange(listeners), each)
    kind = dealt(rng, 2 * count * count, listener.size)
    aged, pair = kind >= count * count, kind % (count * count)
    earlier, later = pair // count, count + pair % count
    apart = places[aged.astype(int), later] - places[aged.astype(int), earlier]
    y = (rng.random(listener.size) < CURVES["abx"].probability(np.abs(apart))).astype(float)
    return y, listener, earlier, later, aged, after


def test_undirected_over_sessions_equals_the_jackknife_by_hand(rng):
    y, listener, earlier, later, aged, after = undirected_votes(rng, 3, 1.0, 0.3, 0.0, 5, 36)
    found = before_and_after.undirected_over_sessions(y, listener, earlier, later, aged, after)

    def excess(keep):
        return np.mean([y[keep & aged & (listener == w)].mean() for w in range(5)]) - np.mean(
            [y[keep & ~aged & (listener == w)].mean() for w in range(5)]
        )

    parts = []
    for side in (range(3), range(3, 6)):
        left = [excess((earlier != s) & (later != s)) for s in side]
        parts.append(2 / 3 * np.sum((left - np.mean(left)) ** 2))
    whole = excess(np.ones(y.size, bool))
    freedom = sum(parts) ** 2 / sum(v**2 / 2 for v in parts)
    assert found.excess == pytest.approx(whole)
    assert found.freedom == pytest.approx(freedom)
    assert found.p == pytest.approx(2 * stats.t.sf(whole / math.sqrt(sum(parts)), freedom))


@pytest.mark.parametrize(("wander", "shift"), [(0.25, 0.0), (0.5, 1.5)])
def test_sessions_that_wander_make_no_growth(rng, wander, shift):
    runs = 150
    ps = [
        before_and_after.undirected_over_sessions(*undirected_votes(rng, 4, 0, wander, shift)).p
        for _ in range(runs)
    ]
    assert np.mean(np.array(ps) <= 0.05) <= 0.059 + SLACK / math.sqrt(runs)
    grown = [
        before_and_after.undirected_over_sessions(*undirected_votes(rng, 4, 2.5, 0.25, 0)).p
        for _ in range(20)
    ]
    assert np.mean(np.array(grown) <= 0.05) > 0.6


def test_too_little_tells_nothing_and_nonsense_is_refused(rng):
    y, listener, session, after = over_sessions(rng, 2, np.full(8, 2.0), 0.1, 24)
    assert before_and_after.directed_over_sessions(y, listener, session, after, rng).p == 1.0
    few = undirected_votes(rng, 2, 3.0, 0.1, 0.0)
    assert before_and_after.undirected_over_sessions(*few).p == 1.0
    y, listener, earlier, later, aged, after = undirected_votes(rng, 3, 1.0, 0.1, 0.0)
    with pytest.raises(BadInput, match="before and one of after"):
        before_and_after.undirected_over_sessions(y, listener, later, earlier, aged, after)
    whole = before_and_after.undirected_over_sessions(
        y[aged], listener[aged], earlier[aged], later[aged], aged[aged], after
    )
    assert whole.p == 1.0  # the companion was not heard
    with pytest.raises(BadInput, match="lot"):
        before_and_after.undirected_by_lot(
            y, listener, listener, listener * 0, Draw.complete([0, 1]), rng
        )
    missing = before_and_after.undirected_by_lot(
        np.ones(3), np.zeros(3, int), np.array([0, 1, 2]), np.zeros(3, int),
        Draw.complete([0, 0, 1, 1]), rng,
    )  # fmt: skip
    assert missing.p == 1.0
