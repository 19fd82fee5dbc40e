"""What is documented is there, and what is there is documented."""

import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from panel.settings import Settings

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SETTINGS = (ROOT / "deploy" / "SETTINGS.md").read_text(encoding="utf-8")
CHANGES = (ROOT / "deploy" / "CHANGES.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PAGES = sorted(
    page.relative_to(ROOT)
    for folder in (".", "deploy", "tests", "tests/bench")
    for page in (ROOT / folder).glob("*.md")
)
LOCKS = ("requirements.txt", "requirements-test.txt")


FENCED = re.compile(r"^ *```\n(.*?)^ *```$", re.MULTILINE | re.DOTALL)
FROM_ELSEWHERE = {".venv/bin/uv"}  # the page says how to get it
NO_FILES = {"fair-hearing-plan/2"}


def paths(page: Path) -> set[str]:
    """What looks like a file or a folder in a page: linked, or written as code."""
    text = (ROOT / page).read_text(encoding="utf-8")
    linked = {link for link in re.findall(r"\]\(([^)#]+)", text) if "://" not in link}
    coded = " ".join([*FENCED.findall(text), *re.findall(r"`([^`\n]+)`", FENCED.sub("", text))])
    named = re.findall(r"(?<![\w./:=-])(?:(?:[\w-]+/)+[\w.-]*|[a-z]\w*\.(?:py|csv|toml))", coded)
    return (linked | set(named)) - NO_FILES


def commands(page: Path) -> list[list[str]]:
    """The lines of a page's blocks of code, as words, without what is from elsewhere."""
    text = (ROOT / page).read_text(encoding="utf-8")
    lines = "".join(FENCED.findall(text)).replace("\\\n", " ").splitlines()
    called = [part for line in lines for part in line.split("#")[0].split("&&")]
    words = [part.split() for part in called if part.strip()]
    return [one for one in words if one[0] not in FROM_ELSEWHERE]


@pytest.mark.parametrize("name", Settings.model_fields)
def test_each_setting_is_documented_with_its_default_and_help(name: str) -> None:
    setting = Settings.model_fields[name]
    default = f"`{setting.default}`" if str(setting.default) else "empty"
    row = f"| `FAIRHEARING_{name.upper()}` | {default} | {setting.description} |"
    assert row in SETTINGS.splitlines()


def test_no_documented_setting_is_invented() -> None:
    known = {f"FAIRHEARING_{name.upper()}" for name in Settings.model_fields}
    files = [*(ROOT / page for page in PAGES), *(ROOT / "deploy").rglob("*")]
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


def test_there_are_pages_to_look_at() -> None:
    assert len(PAGES) > 5
    assert sum(len(paths(page)) for page in PAGES) > 50
    assert sum(len(commands(page)) for page in PAGES) > 8


@pytest.mark.parametrize("page", PAGES, ids=str)
def test_files_and_folders_named_in_a_page_exist(page: Path) -> None:
    places = (ROOT, ROOT / "panel", (ROOT / page).parent)
    missing = {name for name in paths(page) if not any((at / name).exists() for at in places)}
    assert missing == set()


@pytest.mark.parametrize("page", PAGES, ids=str)
def test_commands_in_a_page_can_be_called(page: Path) -> None:
    for program, *words in commands(page):
        name = program.removeprefix(".venv/bin/")
        here = ROOT / name
        assert (here.is_file() and here.stat().st_mode & 0o111) or shutil.which(
            name, path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
        ), program
        if name == "python" and words[0] == "-m":
            assert importlib.util.find_spec(words[1]) is not None, words
        elif name == "python":
            assert (ROOT / words[0]).is_file(), words


def test_contributor_page_is_short_and_has_each_part() -> None:
    assert len(DEVELOPERS.splitlines()) < 200
    assert re.findall(r"^## (.+)", DEVELOPERS, re.MULTILINE) == [
        "Set up, test, release",
        "Where things are",
        "How a take travels",
        "How a vote travels",
        "The plan document",
        "The usual additions, file by file",
    ]


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
