"""The vote table is read strictly: every contradiction gets a sentence of its own."""

from dataclasses import replace

import numpy as np
import pytest
from laid_out import conclude
from vote_records import as_listeners, as_table, as_tables, listener_rows, vote_rows

from panel.errors import BadInput
from panel.procedures.base import ANSWERS, EMPTY, SLOTS
from panel.procedures.catalogue import PROCEDURES
from panel.study import votes_csv as table
from panel.study.plan_reading import read_plan
from panel.study.votes import VOTE_COLUMNS
from panel.study.votes_check import check_against_plan


@pytest.fixture
def study(made):
    asked = [
        made.contrast("q1", "abx", (2, 2), votes=6),
        made.contrast("q2", "triangle", (2, 2), votes=6),
        made.contrast("q3", "attribute", (2, 2), votes=6),
        made.contrast("q4", "preference", (2, 2), votes=6),
        made.check("attribute"),
    ]
    document = made.plan(*asked, made.control_of(asked[0]), listeners=5)
    cast, rows = made.simulate(document, np.random.default_rng(1), effect=1.0)
    return document, cast, rows


def test_tables_survive_the_round_trip(study):
    _, cast, rows = study
    assert vote_rows(table.read_votes(table.write_votes(as_table(cast)))) == cast
    rows = [replace(rows[0], sample_rate=None, finished=False), *rows[1:]]
    assert listener_rows(table.read_listeners(table.write_listeners(as_listeners(rows)))) == rows


def test_header_is_the_contract(study):
    _, cast, rows = study
    assert table.write_votes(as_table(cast)).splitlines()[0] == (
        "sequence,listener,trial,contrast,procedure,excerpt,one,two,three,answer,correct,plays,"
        "seconds,day,four"
    )
    assert table.write_listeners(as_listeners(rows)).splitlines()[0] == (
        "listener,finished,headphone_check,playback,sample_rate,votes,withdrew,votes_removed"
    )


def test_right_is_recomputed_from_slots(study):
    document, cast, rows = study
    plan = read_plan(document)
    checked, _ = check_against_plan(plan, *as_tables(cast, rows))
    checked = vote_rows(checked)
    assert [v.correct for v in checked] == [v.correct for v in cast]
    seen = {(v.procedure, v.correct) for v in checked}
    assert {("abx", True), ("abx", False), ("triangle", True), ("triangle", False)} <= seen
    assert ("preference", None) in seen
    assert ("attribute", True) in seen  # the planted check
    assert ("attribute", None) in seen  # the question


def right(code, slots):
    """The one answer that is right."""
    places = [sorted(set(slots)).index(take) for take in slots]
    row = [*places, *[EMPTY] * (SLOTS - len(slots))]
    every, side = np.arange(len(ANSWERS)), np.arange(len(slots))
    found = PROCEDURES[code].right(np.tile(row, (every.size, 1)), every, side, known=False)
    if found is None:
        return None
    (answer,) = np.flatnonzero(found)
    return ANSWERS[answer]


def test_right_answer_by_hand():
    assert right("abx", ("a", "b", "b")) == "two"
    assert right("abx", ("a", "b", "a")) == "one"
    assert right("triangle", ("a", "b", "b")) == "one"
    assert right("triangle", ("a", "b", "a")) == "two"
    assert right("triangle", ("a", "a", "b")) == "three"
    assert right("duo_trio", ("a", "a", "b")) == "two"
    assert right("duo_trio", ("a", "b", "a")) == "three"
    assert right("tetrad", ("a", "a", "b", "b")) == "two"
    assert right("tetrad", ("a", "b", "b", "a")) == "four"
    assert right("same_different", ("a", "b")) == "different"
    assert right("same_different", ("a", "a", "b")) == "same"
    assert right("preference", ("a", "b")) is None


def first(cast, procedure):
    return next(i for i, v in enumerate(cast) if v.procedure == procedure)


def damage_one(which, **change):
    def apply(document, cast, rows):
        i = first(cast, which)
        cast[i] = replace(cast[i], **change)

    return apply


def flip(document, cast, rows):
    i = first(cast, "triangle")
    cast[i] = replace(cast[i], correct=not cast[i].correct)


def no_mark(document, cast, rows):
    i = first(cast, "abx")
    cast[i] = replace(cast[i], correct=None)


def twice(document, cast, rows):
    cast.append(replace(cast[0], sequence=len(cast) + 1))


def same_sequence(document, cast, rows):
    cast[1] = replace(cast[1], sequence=cast[0].sequence)


def stranger(document, cast, rows):
    cast[0] = replace(cast[0], listener="nobody")


def miscounted(document, cast, rows):
    rows[0] = replace(rows[0], votes=rows[0].votes + 1)


def twice_listed(document, cast, rows):
    rows.append(rows[0])


def odd_check(document, cast, rows):
    rows[0] = replace(rows[0], headphone_check="perhaps")


def other_study(document, cast, rows):
    for c in document["contrasts"]:
        c["id"] = c["id"] + "x"
        if c.get("of"):
            c["of"] = c["of"] + "x"


def other_takes(document, cast, rows):
    document["contrasts"][0]["conditions"][0]["takes"] = ["new-1", "new-2"]


def no_excerpts(document, cast, rows):
    document["excerpts"] = []


def booked_on_the_control(document, cast, rows):
    i = first(cast, "abx")
    cast[i] = replace(cast[i], contrast="q1-retakes")


DAMAGES = [
    (flip, "is marked"),
    (no_mark, "is marked neither right nor wrong"),
    (damage_one("preference", correct=True), "is marked right"),
    (twice, "there twice"),
    (same_sequence, "sequence number"),
    (stranger, "not in the listener table"),
    (miscounted, "is said to have cast"),
    (twice_listed, "in the listener table twice"),
    (odd_check, "headphone check 'perhaps'"),
    (other_study, "do not belong together"),
    (other_takes, "does not have: these votes and this plan"),
    (no_excerpts, "has the excerpt"),
    (booked_on_the_control, "only reports the retake pairs"),
    (damage_one("abx", procedure="triangle"), "was put by 'triangle'"),
    (damage_one("abx", answer="three"), "has the answer 'three'"),
    (damage_one("preference", answer="both"), "has the answer 'both'"),
    (damage_one("abx", three=None), "has no third sample"),
    (damage_one("preference", three="q4-0-0"), "has three samples"),
    (damage_one("preference", one="q4-0-0", two="q4-0-0"), "compares a take with itself"),
    (damage_one("abx", one="q1-0-0", two="q1-0-1", three="q1-1-0"), "two different takes"),
    (damage_one("triangle", one="q2-0-0", two="q2-0-0", three="q2-0-0"), "one odd sample"),
    (damage_one("abx", seconds=-1), "negative"),
]


@pytest.mark.parametrize(("damage", "says"), DAMAGES, ids=[s for _, s in DAMAGES])
def test_contradictions_are_refused_with_a_sentence(study, damage, says):
    document, cast, rows = study
    check_against_plan(read_plan(document), *as_tables(cast, rows))  # sound before
    damage(document, cast, rows)
    with pytest.raises(BadInput, match=says) as refused:
        conclude(document, *as_tables(cast, rows))
    assert refused.value.message.endswith(".")
    assert refused.value.hint


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "lacks the column"),
        ("sequence,listener\n1,a\n", "lacks the column trial, contrast"),
        ("{head}\n1,a,1,q1\n", "Line 2 .* too many or too few"),
        ("{head}\nx,a,1,q1,abx,e0,t1,t2,t1,one,1,3,4,0,\n", "Line 2 .* sequence is 'x'"),
        ("{head}\n1,a,1,q1,abx,e0,t1,t2,t1,one,yes,3,4,0,\n", "correct is 'yes', not 0 or 1"),
        ("{head}\n1,,1,q1,abx,e0,t1,t2,t1,one,1,3,4,0,\n", "listener is empty"),
        ("{head}\n1,a,1,q1,abx,e0,t1,t2,t1,one,1,3,-4,0,\n", "seconds is '-4'"),
        ("{head}\n1" + "0" * 18 + ",a,1,q1,abx,e0,t1,t2,t1,one,1,3,4,0,\n", "too large a number"),
        ("{head},day\n", "day twice"),
        ('{head}\n1,"a,1\n', "not CSV"),
    ],
)
def test_damaged_csv_is_refused(text, says):
    with pytest.raises(BadInput, match=says):
        table.read_votes(text.format(head=",".join(VOTE_COLUMNS)))


def test_csv_with_a_byte_order_mark_and_other_line_ends_is_read(study):
    _, cast, _ = study
    text = "\ufeff" + table.write_votes(as_table(cast)).replace("\n", "\r\n")
    assert vote_rows(table.read_votes(text)) == cast


def test_the_first_line_that_is_wrong_is_told_not_the_first_column():
    head = ",".join(VOTE_COLUMNS)
    bad = "1,a,1,q1,abx,e0,t1,t2,t1,one,1,3,-4,0,\n", ",a,1,q1,abx,e0,t1,t2,t1,one,1,3,4,0,\n"
    with pytest.raises(BadInput, match=r"Line 2 .* seconds"):
        table.read_votes(f"{head}\n{bad[0]}{bad[1]}")
    with pytest.raises(BadInput, match=r"Line 2 .* sequence"):
        table.read_votes(f"{head}\n{bad[1]}{bad[0]}")


def test_the_first_vote_that_is_wrong_is_told_whatever_is_wrong_with_it(study):
    document, cast, rows = study
    early, late = 3, len(cast) - 1
    wrong = {"mark": {"seconds": -1}, "excerpt": {"excerpt": "elsewhere"}}
    for first, second in (("mark", "excerpt"), ("excerpt", "mark")):
        damaged = list(cast)
        damaged[early] = replace(cast[early], **wrong[first])
        damaged[late] = replace(cast[late], **wrong[second])
        with pytest.raises(BadInput, match=rf"^Vote {cast[early].sequence} "):
            check_against_plan(read_plan(document), *as_tables(damaged, rows))


def test_some_votes_of_a_table_are_these_votes(study):
    _, cast, _ = study
    whole = as_table(cast)
    assert len(whole) == len(cast)
    kept = [v for v in cast if v.contrast == "q3"]
    part = whole.of_contrast("q3")
    assert vote_rows(part) == kept
    assert part == as_table(kept) != as_table(kept[1:])
    assert part.people == tuple(sorted({v.listener for v in kept}))
    assert part.heard == tuple(sorted({v.excerpt for v in kept}))
    assert len(whole.of_contrast("elsewhere")) == 0
    by = {cast[0].listener, "nobody"}
    assert vote_rows(whole.select(whole.by(by))) == [v for v in cast if v.listener in by]


def test_slots_are_numbered_among_the_takes_that_are_asked_about(study):
    _, cast, _ = study
    whole = as_table(cast)
    takes = ("q1-1-0", "q1-0-0")
    for vote, slots in zip(cast, whole.slots_among(takes).tolist(), strict=True):
        named = [takes.index(t) if t in takes else EMPTY for t in vote.slots]
        assert slots == named + [EMPTY] * (SLOTS - len(named))


def remove(key):
    return lambda d: d.pop(key)


def put(where, value):
    def change(document):
        *path, last = where
        target = document
        for step in path:
            target = target[step]
        target[last] = value

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (remove("format"), "format"),
        (remove("alpha"), "alpha must be a number"),
        (put(["alpha"], True), "alpha must be a number"),
        (put(["limit"], 1.5), "limit must be"),
        (put(["stop", "kind"], "whenever"), "neither fixed nor anytime"),
        (put(["stop", "listeners"], 0), "number of listeners"),
        (put(["contrasts"], []), "no contrasts"),
        (put(["contrasts", 0, "procedure"], "guessing"), "unknown procedure 'guessing'"),
        (put(["contrasts", 0, "role"], "king"), "unknown role"),
        (put(["contrasts", 0, "conditions"], []), "needs two conditions"),
        (put(["contrasts", 0, "conditions", 0, "takes"], []), "names no takes"),
        (put(["contrasts", 0, "conditions", 0, "takes"], ["q1-1-0"]), "lists one take twice"),
        (put(["contrasts", 0, "votes_per_listener"], "many"), "votes_per_listener"),
        (put(["contrasts", 0, "scale"], "linear"), "a condition has no dose"),
        (put(["contrasts", 0, "scale"], "cubic"), "unknown scale"),
        (put(["contrasts", 1, "id"], "q1"), "same id"),
        (put(["contrasts", 5, "of"], "q9"), "no question of it"),
        (put(["exclusion", "planted_least_right"], -1), "least number of planted checks"),
        (put(["study", "title"], {1, 2}), "not plain JSON"),
    ],
)
def test_a_plan_that_cannot_be_read_is_refused(study, change, says):
    document, cast, rows = study
    change(document)
    with pytest.raises(BadInput, match=says):
        conclude(document, *as_tables(cast, rows))


def test_equal_doses_are_refused(made):
    asked = made.contrast("q1", takes=(2, 2, 2), doses=(0, 10, 10), scale="linear")
    with pytest.raises(BadInput, match="two conditions of one dose"):
        read_plan(made.plan(asked))
