"""A factor asked about given another, over which takes are crossed: from form to archive.

Three takes of each adhesive with each element. Invented data.
"""

import json
import re
import zipfile
from collections.abc import Callable
from itertools import combinations

import pytest
import recordings
from desk_cast import Door
from typer.testing import CliRunner
from voting_cast import vote

from panel.analysis.wording import told as wording
from panel.cli import app
from panel.report.archive.export import recompute
from panel.stages.clips import measured, prepare
from panel.stages.conclude import ending, publish
from panel.stages.contrasts import asked as contrasts
from panel.stages.listeners import invite
from panel.stages.plan import lock
from panel.stages.takes import intake
from panel.store.tables import Trial

GLUES, ELEMENTS = ("hide glue", "epoxy"), ("ribbon", "coil")


def crossed(door: Door, each: int) -> list[str]:
    """`each` takes of every combination, logged through the desk in mixed order; their keys."""
    made = door.made
    number = 4 * each
    for n in range(4, number):
        intake.add_take(made.store, made.id, f"take {n + 1}.wav", [recordings.take(n)])
    assert door.post("/takes/factors", name="element", kind="named").status_code == 303
    keys = [take.key for take in intake.takes(made.store, made.id)]
    assert len(keys) == number
    logged = {}
    for n, key in enumerate(keys):
        logged[f"{key}.order"] = str(n + 1)
        logged[f"{key}.{made.adhesive}"] = GLUES[n % 2]
        logged[f"{key}.element"] = ELEMENTS[(n // 2) % 2]
        logged[f"{key}.of-specimen"] = f"{GLUES[n % 2]} {n // 2}"
        logged[f"{key}.in-session"] = "2 May"
    assert door.post("/takes/log", **logged).status_code == 303
    return keys


def asked(door: Door, keys: list[str], **changes: object):
    return door.post(
        "/contrasts/question",
        **{
            "factor": door.made.adhesive, "name": "Stiffer adhesive", "procedure": "abx",
            "votes": "15", "take": keys, "given": "element", **changes,
        },
    )  # fmt: skip


def locked(door: Door) -> dict:
    made = door.made
    prepare.prepare(made.store, made.id)
    rules = {"alpha": "0.05", "limit": "25", "stop_kind": "fixed", "listeners": "12",
             "planted_least_right": "", "headphones": "record"}  # fmt: skip
    assert door.post("/plan", **rules).status_code == 303
    page = door.get("/plan/lock").text
    shown = re.search(r'name="sha256" value="([0-9a-f]{64})"', page)
    assert shown
    assert door.post("/plan/lock", sha256=shown.group(1)).status_code == 303
    return lock.locked(made.store, made.id).document()


def answering(condition: dict[str, str]) -> Callable[[Trial], int]:
    """Hears the adhesive always, and a retake as often as guessing does."""
    turn = iter(range(10**6))

    def answer(trial: Trial) -> int:
        assert trial.right is not None
        apart = len({condition[take] for take in trial.slots}) > 1
        return trial.right if apart or next(turn) % 2 else 1 - trial.right

    return answer


def test_from_the_form_to_the_archive_only_takes_alike_in_what_is_given_meet(logged, tmp_path):
    keys = crossed(logged, 3)
    made = logged.made
    offered = logged.get("/contrasts").text
    assert "adhesive: hide glue or epoxy, given element" in offered
    link = re.search(r'href="([^"]*contrasts/question\?[^"]*given=element)"', offered)
    assert link
    form = logged.organiser.get(link.group(1).replace("&amp;", "&")).text
    assert re.search(r'name="given" value="element" checked', form)
    assert asked(logged, keys).status_code == 303
    shown = logged.get("/contrasts").text
    assert "differ in adhesive only, given element" in shown
    assert "Not measured: it is asked given another factor" in str(
        measured.shown(made.store, made.id)
    )

    document = locked(logged)
    (question,) = (c for c in document["contrasts"] if c["role"] == "question")
    assert question["name"] == "Stiffer adhesive"
    assert question["factor"] == logged.made.adhesive
    assert question["given"] == ["element"]
    stratum = {take: s["label"] for s in question["strata"] for take in s["takes"]}
    assert sorted(stratum) == sorted(keys)
    assert len(question["strata"]) == 2
    assert "asked given element" in logged.get("/plan").text

    condition = {take: c["label"] for c in question["conditions"] for take in c["takes"]}
    pasted = "\n".join(f"listener-{n}@listeners.example" for n in range(12))
    met = set()
    for added in invite.invite(made.store, made.settings, made.id, pasted).added:
        code = invite.personal_link(made.store, made.settings, added.listener_id)
        seen = answering(condition)

        def noting(trial: Trial, seen: Callable[[Trial], int] = seen) -> int:
            met.add(tuple(sorted(set(trial.slots))))
            return seen(trial)

        assert vote(made.store, code.rsplit("/", 1)[1], noting) == 15
    alike = {p for p in combinations(sorted(keys), 2) if stratum[p[0]] == stratum[p[1]]}
    assert met == alike  # every pair within a group, and none across

    verdict = ending.close(made.store, made.id)
    (found,) = (c for c in verdict.contrasts if c.role == "question")
    said = wording.told(publish.plan_of(made.store, made.id), verdict).contrasts[found.id]
    assert found.verdict == "heard"
    assert "given element" in said.sentence
    assert found.numbers.question.cells == ((3, 3), (3, 3))
    # Three and three in each of two groups: C(6, 3)/2 labelings a group, none more extreme.
    assert found.numbers.question.attribution.p == pytest.approx(1 / 100)
    report = logged.get("/verdict/report").text
    assert "only takes alike in element were compared" in report
    assert "That this holds for each group by itself" in report
    assert "on the recordings of each group in other ways: 1 of all 100 ways" in report
    path = tmp_path / publish.file_name(made.store, made.id)
    path.write_bytes(publish.export(made.store, made.id))
    again = recompute(path)
    assert again.identical
    assert again.verdict == verdict
    said = CliRunner().invoke(app, ["verdict", str(path)])
    assert said.exit_code == 0, said.output
    assert "identical" in said.output

    with zipfile.ZipFile(path) as archive:
        archive.extractall(tmp_path / "out")
    votes, asked_for, listeners = (
        next((tmp_path / "out").rglob(name)) for name in ("votes.csv", "plan.json", "listeners.csv")
    )
    pooled = CliRunner().invoke(
        app,
        ["pool", str(votes), "--plan", str(asked_for), "--listeners", str(listeners), "--json"],
    )
    assert pooled.exit_code == 0, pooled.output
    (told,) = (c for c in json.loads(pooled.output)["contrasts"] if c["role"] == "question")
    assert told["numbers"]["by_stratum"] == [
        vars(counted) for counted in found.numbers.question.by_stratum
    ]
    assert told["verdict"] == "heard"


def test_two_changes_at_once_are_refused_without_it(logged):
    keys = crossed(logged, 2)
    refused = asked(logged, keys, given=[])
    assert refused.status_code == 400
    assert "two factors" in refused.text
    assert 'name="given" value="element"' in refused.text  # the way out is on the page
    assert contrasts.contrasts(logged.made.store, logged.made.id) == ()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"procedure": "reminder"}, "cannot be asked given another factor"),
        ({"given": ["nonsense"]}, "no factor"),
        ({"given": ["adhesive"]}, "cannot be given as well"),
    ],
)
def test_what_cannot_be_asked_given_another_factor_is_refused_in_a_sentence(logged, changes, words):
    keys = crossed(logged, 2)
    refused = asked(logged, keys, **changes)
    assert refused.status_code in (400, 404)
    assert words in refused.text
    assert contrasts.contrasts(logged.made.store, logged.made.id) == ()


def test_a_combination_with_one_take_is_named(logged):
    keys = crossed(logged, 2)
    refused = asked(logged, keys[1:])
    assert refused.status_code == 400
    assert "one take of “hide glue” with element ribbon" in refused.text


def test_few_takes_are_allowed_and_the_floor_is_told_beforehand(logged):
    keys = crossed(logged, 2)
    assert asked(logged, keys).status_code == 303
    shown = logged.get("/contrasts").text
    assert "1/9" in shown  # (C(4, 2)/2)² labelings
    assert "Record three takes of each condition in each of the two groups" in shown
