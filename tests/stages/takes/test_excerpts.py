"""Excerpts: inside every take, of a length one can keep in the ear, and fixed by the lock."""

import pytest
import recordings
from recordings import Made

from panel.errors import BadInput, Conflict, NotFound
from panel.stages.clips import prepare, preview
from panel.stages.plan import lock
from panel.stages.takes import excerpts, intake


@pytest.mark.parametrize(
    ("start", "end"),
    [(-1, 1), (1, 1), (2, 1), (float("nan"), 1), (0, float("inf")), (0, 0.2), (0, 70)],
)
def test_span_that_is_none_is_refused(logged: Made, start: float, end: float):
    with pytest.raises(BadInput):
        intake.add_excerpt(logged.store, logged.id, start, end)
    assert len(intake.excerpts(logged.store, logged.id)) == 1


def test_span_past_the_shortest_take_names_that_take(logged: Made):
    """Unequal lengths: the sentence says which take ends before."""
    intake.add_take(logged.store, logged.id, "short.wav", [recordings.take(9, seconds=2.0)])
    with pytest.raises(BadInput, match=r"take 05 lasts only 2\.00 s"):
        intake.add_excerpt(logged.store, logged.id, 1.0, 2.6)


def test_same_span_is_marked_once(logged: Made):
    with pytest.raises(Conflict):
        intake.add_excerpt(logged.store, logged.id, 0.5, 2.5)


def test_excerpt_needs_takes(empty: Made):
    with pytest.raises(BadInput, match="no take"):
        intake.add_excerpt(empty.store, empty.id, 0, 1)


def test_removed_excerpt_goes_with_its_clips(logged: Made):
    prepare.prepare(logged.store, logged.id)
    intake.remove_excerpt(logged.store, logged.id, "e1")
    assert prepare.clips(logged.store, logged.id) == []
    assert not [name for name in recordings.stored(logged) if name.startswith("clip")]
    with pytest.raises(NotFound):
        intake.remove_excerpt(logged.store, logged.id, "e1")


def test_locked_excerpts_stay(ready: Made):
    lock.lock(ready.store, ready.id)
    for change in (
        lambda: intake.add_excerpt(ready.store, ready.id, 0.1, 1.1),
        lambda: intake.remove_excerpt(ready.store, ready.id, "e1"),
    ):
        with pytest.raises(Conflict, match="locked"):
            change()


def test_proposals_lie_inside_every_take(logged: Made):
    shortest = min(take.seconds for take in intake.takes(logged.store, logged.id))
    found = preview.proposals(logged.store, logged.id)
    assert found
    assert all(0 <= span.start_s < span.end_s <= shortest for span in found)


@pytest.mark.parametrize(("start", "end"), [(1, 1), (-1, 1), (0, 500), (50, 51)])
def test_stretch_that_cannot_be_played_is_refused(logged: Made, start: float, end: float):
    with pytest.raises(BadInput):
        preview.span(logged.store, logged.id, "t01", start, end)


def test_stretch_is_as_long_as_asked(logged: Made):
    wav = preview.span(logged.store, logged.id, "t01", 0.5, 1.5)
    assert len(wav) == 44 + 3 * recordings.RATE  # canonical header, 24 bits, one channel


def test_an_excerpt_can_be_moved_and_renamed_and_its_clips_are_stale(ready: Made):
    assert not prepare.stale(ready.store, ready.id)
    excerpts.change_excerpt(ready.store, ready.id, "e1", 0.25, 2.0, "  Bridge ")
    (found,) = intake.excerpts(ready.store, ready.id)
    assert (found.key, found.name, found.start_s, found.end_s) == ("e1", "Bridge", 0.25, 2.0)
    assert prepare.stale(ready.store, ready.id)


@pytest.mark.parametrize(
    ("key", "start", "end", "error"),
    [
        ("e9", 0.5, 2.0, NotFound), ("e1", 0.5, 0.6, BadInput), ("e1", 0.5, 99.0, BadInput),
        ("e1", 0.1, 1.1, Conflict),
    ],
)  # fmt: skip
def test_a_move_that_cannot_be_leaves_the_excerpt_where_it_was(
    logged: Made, key: str, start: float, end: float, error: type[Exception]
):
    intake.add_excerpt(logged.store, logged.id, 0.1, 1.1)
    before = intake.excerpts(logged.store, logged.id)
    with pytest.raises(error):
        excerpts.change_excerpt(logged.store, logged.id, key, start, end)
    assert intake.excerpts(logged.store, logged.id) == before


def test_nothing_is_moved_once_the_plan_is_locked(ready: Made):
    lock.lock(ready.store, ready.id)
    with pytest.raises(Conflict, match="locked"):
        excerpts.change_excerpt(ready.store, ready.id, "e1", 0.25, 2.0)
