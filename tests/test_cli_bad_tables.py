"""Odd and broken tables through `fairhearing pool` and `fairhearing verdict`.

What is broken is refused with a sentence; what is merely odd gets its sentence, and no number
that it does not carry.
"""

import json
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from typer.testing import CliRunner
from vote_records import Vote, as_table, as_tables

from panel.analysis.verdict import conclude
from panel.cli import app
from panel.design.plan import build
from panel.report.archive.export import write_zip
from panel.study.conditions import Condition
from panel.study.factors import Factor
from panel.study.plan import Contrast, PlanExcerpt, PlanTake, Planted
from panel.study.plan_reading import read_plan
from panel.study.votes import listeners_of
from panel.study.votes_csv import write_votes

EACH = 8
CHECK = ("a1", "a1+check")


def run(command: str, *words: object):
    return CliRunner().invoke(app, [command, *(str(word) for word in words)])


def plan_of(listeners: int = 6, excerpts: int = 2, second: bool = False) -> dict[str, Any]:
    asked = [
        Contrast(
            f"q{n}", f"Glue {n}", "question", "abx",
            (Condition("hide", ("a1",)), Condition("epoxy", ("b1",))), EACH,
        )
        for n in (1, 2)[: 1 + second]
    ]  # fmt: skip
    check = Contrast(
        "check", "Planted check", "planted_check", "abx",
        (Condition("unchanged", ("a1",)), Condition("planted", ("a1+check",))), 4,
        planted=Planted("shelf", 6.0),
    )  # fmt: skip
    return build(
        title="Made up", question="Does the glue matter?", factors=[Factor("glue", "glue")],
        takes=[
            PlanTake("a1", "a1", "0" * 64, 1, {"glue": "hide"}),
            PlanTake("b1", "b1", "1" * 64, 2, {"glue": "epoxy"}),
        ],
        excerpts=[PlanExcerpt(f"e{n}", 10.0 * n, 10.0 * n + 5) for n in range(excerpts)],
        contrasts=[*asked, check], listeners=listeners, schedule_seed="0" * 32,
    ).document()  # fmt: skip


def ballots(plan: dict[str, Any], right) -> list[Vote]:
    """`right(who, trial)` says whether a question's vote is right; checks always are."""
    votes: list[Vote] = []
    for who in range(plan["stop"]["listeners"]):
        trial = 0
        for contrast in plan["contrasts"]:
            if contrast.get("of"):
                continue
            one, two = CHECK if contrast["id"] == "check" else ("a1", "b1")
            for n in range(contrast["votes_per_listener"]):
                good = contrast["id"] == "check" or right(who, n)
                three = (one, two)[n % 2]
                answer = ("one", "two")[n % 2 if good else 1 - n % 2]
                trial += 1
                excerpt = f"e{n % len(plan['excerpts'])}"
                votes.append(
                    Vote(
                        len(votes) + 1, f"L{who}", trial, contrast["id"], "abx", excerpt,
                        one, two, three, answer, good,
                    )
                )  # fmt: skip
    return votes


# How the questions are answered, and what must be said where the votes carry no number.
ODD = {
    "one listener": ({"listeners": 1}, lambda who, n: n > 1, "say nothing about other people"),
    "one excerpt": ({"excerpts": 1}, lambda who, n: n > 1, "One excerpt was heard"),
    "all correct": ({}, lambda who, n: True, "Every vote went one way"),
    "all wrong": ({}, lambda who, n: False, "Fewer answers are right than guessing gives"),
    "separated": ({}, lambda who, n: who > 0, "differ more than the votes can measure"),
}


@pytest.fixture(params=ODD)
def odd(request, tmp_path: Path):
    how, right, sentence = ODD[request.param]
    plan = plan_of(**how)
    votes = ballots(plan, right)
    table = tmp_path / "votes.csv"
    table.write_text(write_votes(as_table(votes)))
    return request.param, plan, votes, table, sentence


def test_an_odd_table_gets_its_sentence_and_no_number_it_does_not_carry(odd) -> None:
    case, _, _, table, sentence = odd
    done = run("pool", table, "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    (entry,) = (c for c in document["contrasts"] if c["id"] == "q1")
    numbers = entry["numbers"]
    assert any(sentence in note for note in document["said"]["contrasts"]["q1"]["notes"])
    if case == "one listener":
        withheld = ("interval", "share_upper", "share_lower", "share_estimate", "dprime")
    elif case == "all wrong":
        withheld = ("share_upper", "share_lower", "share_estimate", "dprime", "dprime_interval")
    elif case == "one excerpt":
        withheld = ("excerpt_sd",)
    elif case == "all correct":
        withheld = ("dprime", "dprime_interval", "listener_sd")
    else:
        withheld = ()
    for key in withheld:
        assert numbers[key] is None, key
    if case == "separated":
        # One listener is never right, the others always: their spread has no upper end.
        assert numbers["dprime_of"] == "mean share"
        assert numbers["listener_sd"] is None


def test_the_same_votes_as_an_archive_claim_nothing_they_do_not_carry(odd, tmp_path) -> None:
    case, plan, votes, _, _ = odd
    rows = listeners_of(as_table(votes), EACH + 4)
    path = tmp_path / "study.zip"
    read, tables = read_plan(plan), as_tables(votes, rows)
    path.write_bytes(write_zip(read, *tables, conclude(read, *tables)))
    done = run("verdict", path, "--json")
    assert done.exit_code == 0, done.output
    (entry,) = (c for c in json.loads(done.stdout)["contrasts"] if c["id"] == "q1")
    assert entry["verdict"] != "heard"  # one take a side
    assert entry["verdict"] != "not_heard"
    if case == "all wrong":
        assert entry["verdict"] == "not_enough"
        assert entry["numbers"]["share_upper"] is None
        assert "answers may have been swapped" in run("verdict", path).stdout
    if case in ("one listener", "all correct", "all wrong"):
        assert entry["numbers"]["dprime"] is None


def test_an_archive_without_votes_on_one_contrast_claims_nothing_of_it(tmp_path: Path) -> None:
    plan = plan_of(second=True)
    votes = [v for v in ballots(plan, lambda who, n: n > 1) if v.contrast != "q2"]
    rows = listeners_of(as_table(votes))
    path = tmp_path / "study.zip"
    read, tables = read_plan(plan), as_tables(votes, rows)
    path.write_bytes(write_zip(read, *tables, conclude(read, *tables)))
    done = run("verdict", path, "--json")
    assert done.exit_code == 0, done.output
    (entry,) = (c for c in json.loads(done.stdout)["contrasts"] if c["id"] == "q2")
    assert entry["verdict"] == "not_enough"
    for key in ("p_chance", "share_right", "share_upper", "interval", "dprime"):
        assert entry["numbers"][key] is None, key
    told = run("pool", _written(tmp_path, votes), "--plan", _plan(tmp_path, plan))
    assert told.exit_code == 0, told.output
    assert "Glue 2" in told.stdout


def _written(folder: Path, votes: list[Vote]) -> Path:
    (folder / "votes.csv").write_text(write_votes(as_table(votes)))
    return folder / "votes.csv"


def _plan(folder: Path, plan: dict[str, Any]) -> Path:
    (folder / "plan.json").write_bytes(rfc8785.dumps(plan))
    return folder / "plan.json"


def broken(text: str, how: str) -> str:
    lines = text.splitlines()
    return {
        "unknown procedure": text.replace(",abx,", ",sniffing,"),
        "duplicate rows": "\n".join([*lines, lines[1]]) + "\n",
        "missing column": text.replace(",answer,", ",", 1),
        "plan of other votes": text.replace("b1", "c1"),
    }[how]


@pytest.mark.parametrize(
    ("how", "sentence"),
    [
        ("unknown procedure", "sniffing"),
        ("duplicate rows", "is there twice"),
        ("missing column", "lacks the column answer"),
        ("plan of other votes", "do not belong together"),
    ],
)
def test_broken_votes_are_refused_with_a_sentence_everywhere(tmp_path, how, sentence) -> None:
    plan = plan_of()
    table = _written(tmp_path, ballots(plan, lambda who, n: n > 1))
    good = table.read_text()
    table.write_text(broken(good, how))
    done = run("pool", table, "--plan", _plan(tmp_path, plan))
    assert done.exit_code == 2
    assert sentence in done.stderr
    assert done.stdout == ""
    if how != "plan of other votes":
        assert sentence in run("pool", table).stderr

    # The same in an archive, its sums renewed so that only the votes are wrong.
    votes = ballots(plan, lambda who, n: n > 1)
    rows = listeners_of(as_table(votes), EACH + 4)
    read, tables = read_plan(plan), as_tables(votes, rows)
    archive = write_zip(read, *tables, conclude(read, *tables))
    path = tmp_path / "study.zip"
    path.write_bytes(_with_other_votes(archive, lambda text: broken(text, how)))
    refused = run("verdict", path)
    assert refused.exit_code == 2
    assert sentence in refused.stderr
    assert refused.stdout == ""


def _with_other_votes(archive: bytes, change) -> bytes:
    import hashlib
    import io
    import zipfile

    with zipfile.ZipFile(io.BytesIO(archive)) as old:
        files = {name: old.read(name) for name in old.namelist()}
    name = next(n for n in files if n.endswith("votes.csv") and "listener" not in n)
    package = next(n for n in files if n.endswith("datapackage.json"))
    changed = change(files[name].decode()).encode()
    was, now = (hashlib.sha256(content).hexdigest() for content in (files[name], changed))
    described = json.loads(files[package])
    for resource in described["resources"]:
        if resource.get("hash", "").endswith(was):
            resource["hash"] = resource["hash"].replace(was, now)
            if "bytes" in resource:
                resource["bytes"] = len(changed)
    files[package], files[name] = json.dumps(described).encode(), changed
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as new:
        for member, content in files.items():
            new.writestr(member, content)
    return out.getvalue()
