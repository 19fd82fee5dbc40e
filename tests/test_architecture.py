"""The core is plain, and data flows one way: who may import whom."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PANEL = Path(__file__).parent.parent / "panel"
CORE = ("study", "procedures", "audio", "design", "analysis", "report")

# What each part may import of ours. A part may always import itself, and the words and figures in
# panel.errors, panel.limits, panel.marked and panel.prose.
MAY_IMPORT = {
    "study": ("panel.procedures",),
    "procedures": (),
    "audio": (),
    "analysis": ("panel.procedures", "panel.study"),
    "design": ("panel.analysis", "panel.procedures", "panel.study"),
    "report": ("panel.analysis", "panel.design", "panel.procedures", "panel.study"),
    "store": ("panel.settings",),
    "post": ("panel.pages", "panel.settings", "panel.store"),
    "stages": (
        "panel.analysis", "panel.audio", "panel.design", "panel.post", "panel.procedures",
        "panel.report", "panel.settings", "panel.store", "panel.study",
    ),
    "desk": (
        "panel.design", "panel.headers", "panel.pages", "panel.post", "panel.procedures",
        "panel.report", "panel.settings", "panel.stages", "panel.store", "panel.study",
    ),
    "booth": (
        "panel.headers", "panel.pages", "panel.procedures", "panel.settings", "panel.stages",
        "panel.store", "panel.translation",
    ),
}  # fmt: skip

# The web's side calls stages: no tables, no arrays.
NOT_ON_THE_WEB = ("numpy", "scipy", "sqlmodel", "sqlalchemy", "panel.store.tables", "panel.audio")


def imported(path: Path) -> set[str]:
    """Full names a module imports, those inside functions included."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def within(name: str, package: str) -> bool:
    return name == package or name.startswith(package + ".")


def modules(part: str) -> list[Path]:
    found = sorted((PANEL / part).rglob("*.py"))
    found = [path for path in found if "versions" not in path.parts]  # migrations import no part
    assert len(found) > 1, f"panel/{part} has no modules: this test would prove nothing"
    return found


def test_core_loads_neither_web_nor_store() -> None:
    listed = [
        ".".join(path.relative_to(PANEL.parent).with_suffix("").parts)
        for part in CORE
        for path in modules(part)
    ]
    program = (
        "import importlib, sys\n"
        f"for name in {[name.removesuffix('.__init__') for name in listed]!r}:\n"
        "    importlib.import_module(name)\n"
        "print(*sorted(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    loaded = done.stdout.split()
    assert set(listed) - {name for name in listed if name.endswith("__init__")} <= set(loaded)
    forbidden = ("fastapi", "starlette", "sqlmodel", "sqlalchemy", "panel.store", "panel.stages")
    assert [m for m in loaded if any(within(m, package) for package in forbidden)] == []


@pytest.mark.parametrize("part", MAY_IMPORT)
def test_data_flows_one_way(part: str) -> None:
    ground = ("panel.errors", "panel.limits", "panel.marked", "panel.prose")
    allowed = (f"panel.{part}", *ground, *MAY_IMPORT[part])
    wrong = [
        f"{path.name} imports {name}"
        for path in modules(part)
        for name in sorted(imported(path))
        if within(name, "panel") and not any(within(name, package) for package in allowed)
    ]
    assert wrong == []


@pytest.mark.parametrize("part", ["desk", "booth"])
def test_web_side_touches_neither_tables_nor_arrays(part: str) -> None:
    wrong = [
        f"{path.name} imports {name}"
        for path in modules(part)
        for name in sorted(imported(path))
        if any(within(name, package) for package in NOT_ON_THE_WEB)
    ]
    assert wrong == []


@pytest.mark.parametrize("part", ["stages", *CORE])
def test_stages_and_core_never_render(part: str) -> None:
    wrong = [
        f"{path.name} imports {name}"
        for path in modules(part)
        for name in sorted(imported(path))
        if any(within(name, web) for web in ("fastapi", "starlette", "jinja2", "panel.pages"))
        and not (part == "report" and within(name, "jinja2"))
    ]
    assert wrong == []


def test_no_module_is_named_for_nothing() -> None:
    vague = {"utils", "util", "helpers", "common", "misc", "tools"}
    found = sorted(PANEL.rglob("*.py"))
    assert found
    assert [path for path in found if path.stem in vague] == []
