"""`fairhearing pool`: a table of votes from a file, with and without its plan."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner
from vote_records import ListenerRow, Vote, as_listeners, as_table

from panel.cli import app
from panel.design.plan import build
from panel.study.conditions import Condition
from panel.study.factors import Factor
from panel.study.plan import Contrast, PlanExcerpt, PlanTake
from panel.study.votes_csv import write_listeners, write_votes

SLOTS = (("a1", "b1", "a1"), ("b1", "a1", "a1"))


def run(*words: object):
    return CliRunner().invoke(app, ["pool", *(str(word) for word in words)])


def ballots(listeners: int = 5, each: int = 8) -> list[Vote]:
    """Every listener is right in all votes but the first two: 6 of 8."""
    votes = []
    for who in range(listeners):
        for trial in range(each):
            one, two, three = SLOTS[trial % 2]
            right = "one" if one == three else "two"
            wrong = {"one": "two", "two": "one"}[right]
            votes.append(
                Vote(
                    len(votes) + 1, f"L{who}", trial + 1, "q1", "abx", f"e{1 + trial % 2}",
                    one, two, three, right if trial >= 2 else wrong, trial >= 2,
                )
            )  # fmt: skip
    return votes


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "votes.csv"
    path.write_text(write_votes(as_table(ballots())))
    return path


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    made = build(
        title="Made up",
        question="Does the glue matter?",
        factors=[Factor("glue", "glue", "named", "", 0.0)],
        takes=[
            PlanTake("a1", "a1", "00" * 32, 1, {"glue": "hide"}),
            PlanTake("b1", "b1", "11" * 32, 2, {"glue": "epoxy"}),
        ],
        excerpts=[PlanExcerpt("e1", 0.0, 5.0), PlanExcerpt("e2", 5.0, 10.0)],
        contrasts=[
            Contrast(
                id="q1", name="Glue", role="question", procedure="abx",
                conditions=(
                    Condition("hide", ("a1",), None), Condition("epoxy", ("b1",), None),
                ),
                votes_per_listener=8,
            )
        ],
        listeners=5,
    )  # fmt: skip
    path = tmp_path / "plan.json"
    path.write_bytes(made.canonical)
    return path


def test_a_table_alone_gives_counts_and_no_verdict(table: Path) -> None:
    done = run(table)
    assert done.exit_code == 0, done.output
    assert "Right in 30 of 40 blind comparisons by 5 listeners" in done.stdout
    assert "No verdict" in done.stdout
    found = json.loads(run(table, "--json").stdout)
    assert found["format"] == "fair-hearing-pooled/1"
    assert found["verdict"] is None
    assert found["contrasts"][0]["correct"] == 30


def test_with_the_plan_it_gives_the_verdict(table: Path, plan: Path, tmp_path: Path) -> None:
    found = json.loads(run(table, "--plan", plan, "--json").stdout)
    assert found["format"] == "fair-hearing-verdict/1"
    assert found["contrasts"][0]["verdict"] == "recordings_differ"  # one take a side
    rows = [ListenerRow(f"L{i}", True, "passed", "headphones", 48_000, 8) for i in range(5)]
    listeners = tmp_path / "listeners.csv"
    listeners.write_text(write_listeners(as_listeners(rows)))
    done = run(table, "--plan", plan, "--listeners", listeners)
    assert done.exit_code == 0, done.output
    assert "These recordings differ." in done.stdout
    assert "5 of 5 listeners declared headphones" in done.stdout


def spoil(table: Path, how: str) -> None:
    text = table.read_text()
    if how == "columns":
        table.write_text(text.replace("excerpt,", "", 1))
    elif how == "bytes":
        table.write_bytes(b"PK\x03\x04\xff\xfe")
    elif how == "empty":
        table.write_text("")
    elif how == "rows":
        table.write_text(text + text.splitlines()[1] + "\n")
    elif how == "number":
        table.write_text(text.replace("\n1,L0", "\nfirst,L0", 1))


@pytest.mark.parametrize(
    ("how", "sentence"),
    [
        ("columns", "lacks the column excerpt"),
        ("bytes", "is not UTF-8 text"),
        ("empty", "lacks the column sequence"),
        ("rows", "is there twice"),
        ("number", "sequence is 'first', not a whole number"),
    ],
)
def test_a_bad_table_gets_a_sentence_and_exit_code_two(
    table: Path, how: str, sentence: str
) -> None:
    spoil(table, how)
    done = run(table)
    assert done.exit_code == 2
    assert sentence in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_a_missing_file_a_folder_and_a_table_for_a_plan_are_refused(
    table: Path, plan: Path, tmp_path: Path
) -> None:
    for words, sentence in (
        ((tmp_path / "nowhere.csv",), "There is no file"),
        ((tmp_path,), "is a folder"),
        ((table, "--plan", table), "no readable JSON"),
        ((table, "--listeners", table), "together with the plan"),
    ):
        done = run(*words)
        assert done.exit_code == 2
        assert sentence in done.stderr


def test_a_plan_of_other_votes_is_refused(table: Path, plan: Path) -> None:
    table.write_text(table.read_text().replace("b1", "c1"))
    done = run(table, "--plan", plan)
    assert done.exit_code == 2
    assert "do not belong together" in done.stderr
