"""The archive against the Frictionless Data Package specification, by its reference library."""

from __future__ import annotations

import importlib.util
import warnings
import zipfile
from pathlib import Path

import pytest

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library's own imports, not ours
    import frictionless

from vote_records import as_tables

from panel.report.archive.export import write_zip

SOURCE = Path(__file__).parents[1] / "report" / "simulated_study.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("simulated_study", SOURCE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.concluded(12)


@pytest.fixture
def folder(study, tmp_path):
    path = tmp_path / "export.zip"
    path.write_bytes(write_zip(study[0], *as_tables(*study[1:3]), study[3]))
    with zipfile.ZipFile(path) as archive:
        archive.extractall(tmp_path / "unpacked")
    return tmp_path / "unpacked"


@pytest.mark.filterwarnings("ignore")
def test_the_package_and_its_data_are_valid(folder, study):
    package = frictionless.Package(str(folder / "datapackage.json"))
    assert {r.name for r in package.resources} == {
        "votes", "listeners", "contrasts", "codebook", "plan", "verdict",
    }  # fmt: skip
    report = package.validate()
    assert report.valid, report.flatten(["title", "fieldName", "message"])
    assert report.stats["errors"] == 0
    rows = {task.name: task.stats.get("rows") for task in report.tasks}
    assert rows["votes"] == len(study[1])
    assert rows["listeners"] == len(study[2])


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("votes.csv", ",abx,", ",guess,"),  # not among the allowed procedures
        ("listeners.csv", ",passed,", ",perhaps,"),
        ("votes.csv", "\n2,", "\n-2,"),  # below the minimum
    ],
)
def test_the_schema_would_notice_wrong_data(folder, file, old, new):
    path = folder / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    package = frictionless.Package(str(folder / "datapackage.json"))
    kinds = {title for (title,) in package.validate().flatten(["type"])}
    assert "constraint-error" in kinds


@pytest.mark.filterwarnings("ignore")
def test_the_schema_types_read_the_values(folder, study):
    package = frictionless.Package(str(folder / "datapackage.json"))
    first = package.get_resource("votes").read_rows()[0]
    vote = study[1][0]
    assert first["sequence"] == 1
    assert first["correct"] == vote.correct
    assert first["plays"] == vote.plays
