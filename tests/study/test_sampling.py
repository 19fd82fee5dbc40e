"""What was sampled, from who recorded what and when; floors are counted out by hand."""

from itertools import permutations

import pytest

from panel.study.conditions import Condition
from panel.study.factors import TakeLog
from panel.study.sampling import least_p, sampled


def recorded(text):
    """Takes from words such as "A:a1@s1": condition, specimen, session, in order of recording."""
    sides: dict[str, list[str]] = {}
    takes = []
    for place, word in enumerate(text.split(), 1):
        condition, of, session = word.replace("@", ":").split(":")
        sides.setdefault(condition, []).append(f"t{place}")
        takes.append(TakeLog(f"t{place}", place, {}, "", of, session))
    return [Condition(label, tuple(ids)) for label, ids in sorted(sides.items())], takes


def found(text, alpha=0.05, **more):
    return sampled(*recorded(text), alpha, **more)


MIXED = "A:a1@s B:b1@s B:b2@s A:a2@s A:a3@s B:b3@s B:b4@s A:a4@s"


def test_four_specimens_a_side_speak_of_the_kind():
    kind = found(MIXED)
    assert (kind.scope, kind.barrier, kind.short) == ("kind", None, None)
    assert kind.specimens == (4, 4)
    assert len(set(kind.unit_of.values())) == 8


def test_takes_of_a_specimen_are_one_unit():
    twice = " ".join(f"{word} {word}" for word in MIXED.split())
    kind = found(twice)
    assert kind.scope == "kind"
    assert kind.sizes == (4, 4)


@pytest.mark.parametrize(
    ("text", "scope", "barrier", "short"),
    [
        ("A:a@s B:b@s B:b@s A:a@s", "specimens", None, "few"),
        ("A:a1@s B:b1@s B:b2@s A:a2@s A:a3@s B:b3@s", "specimens", None, "few"),
        (MIXED + " A:a5@s", "specimens", None, "unequal"),
        ("A:x@s B:x@s B:x@s A:x@s", "specimens", None, "shared"),
        ("A:a@s A:a@s B:b@s B:b@s", "recordings", "in_one_go", "few"),
        # The same way in every session: nothing tells the change from warming up.
        ("A:a@s B:b@s A:a@t B:b@t", "recordings", "in_one_go", "few"),
        ("A:a@s B:b@s B:b@t A:a@t", "specimens", None, "few"),
        ("A:a@s A:a@s B:b@t B:b@t", "recordings", "different_sessions", "few"),
        ("A:a@s B:@s B:@s A:a@s", "recordings", "no_specimen", "few"),
        ("A:a@s B:b@ B:b@s A:a@s", "recordings", "sessions_unlogged", "few"),
    ],
)
def test_what_is_missing_is_named(text, scope, barrier, short):
    got = found(text)
    assert (got.scope, got.barrier, got.short) == (scope, barrier, short)


def test_one_condition_in_one_go_bars_a_third_that_was_mixed_in():
    got = found("A:a@s B:b@s A:a@s B:b@s C:c@s C:c@s")
    assert got.barrier == "in_one_go"


def test_a_stratum_that_was_mixed_makes_up_for_no_other():
    text = "A:a@s B:b@s B:b@s A:a@s A:a@s A:a@s B:b@s B:b@s"
    strata = {f"t{i}": int(i > 4) for i in range(1, 9)}
    assert found(text).barrier is None
    assert found(text, strata=strata).barrier == "in_one_go"


def test_two_spellings_are_one_specimen():
    assert found("A:a@s B:b@s B:B@s A:A@s").specimens == (1, 1)


def by_hand(labels, blocks, *, swap):
    """Labelings within blocks, counted one by one; two that differ by names alone are one."""
    seen = set()
    for order in permutations(range(len(labels))):
        if any(blocks[i] != blocks[j] for i, j in enumerate(order)):
            continue
        new = tuple(labels[i] for i in order)
        other = tuple(1 - label for label in new)
        counts = [sorted(zip(row, blocks, strict=True)) for row in (new, other)]
        seen.add(min(new, other) if swap and counts[0] == counts[1] else new)
    return 1 / len(seen)


@pytest.mark.parametrize("swap", [True, False])
@pytest.mark.parametrize(
    ("labels", "blocks"),
    [
        ((0, 0, 1, 1), (0, 0, 0, 0)),
        ((0, 0, 0, 1, 1, 1), (0, 0, 0, 0, 0, 0)),
        ((0, 0, 1, 1, 0, 0, 1, 1), (0, 0, 0, 0, 1, 1, 1, 1)),
        ((0, 0, 1, 1, 0, 1, 1), (0, 0, 0, 0, 1, 1, 1)),
    ],
)
def test_least_p_is_one_of_all_labelings(labels, blocks, swap):
    assert least_p(labels, blocks, swap=swap) == pytest.approx(by_hand(labels, blocks, swap=swap))
