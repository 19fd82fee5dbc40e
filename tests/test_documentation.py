"""What is documented is there, and what is there is documented."""

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from panel.settings import Settings

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CHANGES = (ROOT / "deploy" / "CHANGES.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LOCKS = ("requirements.txt", "requirements-test.txt")


@pytest.mark.parametrize("name", Settings.model_fields)
def test_each_setting_is_documented_with_its_default_and_help(name: str) -> None:
    setting = Settings.model_fields[name]
    default = f"`{setting.default}`" if str(setting.default) else "empty"
    row = f"| `FAIRHEARING_{name.upper()}` | {default} | {setting.description} |"
    assert row in DEVELOPERS.splitlines()


def test_no_documented_setting_is_invented() -> None:
    known = {f"FAIRHEARING_{name.upper()}" for name in Settings.model_fields}
    files = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "deploy").rglob("*")]
    written = {
        name
        for path in files
        if path.is_file() and not path.name.startswith("requirements")
        for name in re.findall(r"FAIRHEARING_[A-Z_]+[A-Z]", path.read_text(encoding="utf-8"))
    }
    assert known & written == known
    assert written - known == set()


def test_readme_states_the_job_first_then_the_two_commands() -> None:
    title, job, *rest = README.split("\n\n")
    assert title == "# Fair Hearing"
    assert "change one thing" in job
    assert "hear" in job
    text = "\n\n".join(rest)
    assert text.index("```\ndeploy/demo\n```") < text.index("```\ndeploy/test\n```")
    assert text.index("deploy/test") < text.index("## Run it for real")


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_files_and_folders_named_in_the_pages_exist(page: str) -> None:
    named = set(re.findall(r"\b(?:deploy|web|tests|panel)/[\w./-]*\w", page))
    named |= set(re.findall(r"\]\(([\w./-]+)\)", page))
    assert len(named) > 5
    assert {name for name in named if not (ROOT / name).exists()} == set()


@pytest.mark.parametrize("picture", ["desk", "booth", "report"])
def test_readme_shows_each_side_in_a_picture(picture: str) -> None:
    path = ROOT / "web" / "static" / "pictures" / f"{picture}.png"
    assert f"web/static/pictures/{picture}.png" in README
    assert path.read_bytes().startswith(b"\x89PNG"), "made from the demo"


def test_commands_of_the_readme_exist() -> None:
    named = set(re.findall(r"fairhearing ([a-z]+)(?: (add|link))?", README))
    assert named >= {("serve", ""), ("organiser", "add"), ("doctor", ""), ("verdict", "")}
    from typer.testing import CliRunner

    from panel.cli import app

    for words in named:
        told = CliRunner().invoke(app, [word for word in words if word] + ["--help"])
        assert told.exit_code == 0, words


@pytest.mark.parametrize("name", ["deploy/demo", "deploy/test", ".ci/run"])
def test_the_two_commands_can_be_run(name: str) -> None:
    path = ROOT / name
    assert path.stat().st_mode & 0o111
    assert path.read_text().startswith("#!/usr/bin/env bash\n")
    assert subprocess.run(["bash", "-n", path], check=False).returncode == 0


def test_ci_calls_the_same_script_as_people_do() -> None:
    lines = [
        line
        for line in (ROOT / ".ci" / "run").read_text().splitlines()
        if line and not line.startswith("#")
    ]
    assert lines == ['exec "$(dirname "${BASH_SOURCE[0]}")/../deploy/test"']


def test_licence_is_named_and_there() -> None:
    assert PROJECT["project"]["license"] == "Apache-2.0"
    text = (ROOT / "deploy" / "LICENSE").read_text(encoding="utf-8")
    assert "Apache License" in text
    assert "Version 2.0" in text


def test_changes_begin_with_whether_verdicts_change() -> None:
    versions = re.split(r"^## ", CHANGES, flags=re.MULTILINE)[1:]
    assert versions
    assert versions[0].startswith(PROJECT["project"]["version"])
    for version in versions:
        _heading, first, *_ = version.split("\n\n")
        assert first.startswith("Verdicts: ")


@pytest.mark.parametrize("lock", LOCKS)
def test_locks_pin_each_package_by_hash_and_name_no_host(lock: str) -> None:
    text = (ROOT / "deploy" / lock).read_text()
    entries = re.split(r"\n(?=\S)", text.strip())
    assert len(entries) > 30
    for entry in entries:
        assert re.match(r"[a-z0-9-]+==\S+", entry), entry
        assert "--hash=sha256:" in entry, entry
    assert "://" not in text
    assert "index" not in text.split("--hash", 1)[0]


@pytest.mark.parametrize("lock", LOCKS)
def test_locks_hold_every_package_the_project_asks_for(lock: str) -> None:
    pinned = set(re.findall(r"^([a-z0-9-]+)==", (ROOT / "deploy" / lock).read_text(), re.MULTILINE))
    wanted = list(PROJECT["project"]["dependencies"]) + PROJECT["build-system"]["requires"]
    if lock == "requirements-test.txt":
        wanted += PROJECT["project"]["optional-dependencies"]["test"]
    names = {re.split(r"[^A-Za-z0-9._-]", one)[0].lower().replace("_", "-") for one in wanted}
    assert len(names) > 20
    assert names - pinned == set()


def test_locks_agree_with_each_other() -> None:
    runtime, full = (
        set(re.findall(r"^\S+==\S+.*", (ROOT / "deploy" / lock).read_text(), re.MULTILINE))
        for lock in LOCKS
    )
    assert runtime <= full
