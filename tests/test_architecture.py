"""The core is plain, and data flows one way: who may import whom."""

import ast
import subprocess
import sys
from pathlib import Path

import house
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


# --- floors ------------------------------------------------------------------------------------

# From the ground up. A part imports from the floors below it, and from its own floor what stands
# before it.
FLOORS = (
    ("errors", "marked", "said", "headers", "prose", "translation"),
    ("procedures", "study", "audio", "settings"),
    ("analysis",),
    ("design", "store", "pages"),
    ("report", "post", "backup"),
    ("stages",),
    ("desk", "booth", "demo", "doctor"),
    ("app", "serving", "cli", "__main__"),
)
# The same inside the folders; what is not named here is held to have no part in a circle.
INSIDE = {
    "study": (("documents",), ("factors",), ("conditions", "parts"), ("plan",), ("plan_reading",)),
    "procedures": (("curves",), ("base",)),
    "audio": (
        ("limits", "sound"), ("warp", "weighting"), ("loudness",), ("reading",), ("intake",),
        ("align",), ("prepare", "listener_checks"), ("measure", "leader"),
    ),
    "analysis": (
        ("refusals",), ("counts", "attribution", "mixed"), ("preference",), ("decision",),
        ("sizes",), ("dose", "listeners_across", "ranked", "reliability"), ("wording",),
        ("verdict",), ("pool",),
    ),
    "design": (
        ("floor",), ("guard",), ("plan_check",), ("plan", "schedule"), ("power",),
        ("readiness_facts",), ("readiness",),
    ),
    "store": (
        ("files", "sealing", "tables", "copying"), ("schema", "session"), ("updating",),
        ("opening",),
    ),
    "report": (("figures",), ("page", "archive"), ("pooled",)),
    "stages": (
        ("rows",), ("studies", "accounts"), ("takes",), ("contrasts",), ("clips",), ("plan",),
        ("listeners",), ("listen",), ("conclude",),
    ),
    "post": (("addresses",), ("messages",), ("outbox",), ("sending",)),
}  # fmt: skip
# Arrows that go up all the same, by folder: from where, to where, and why.
UPWARDS: dict[tuple[str, str, str], str] = {}

SOURCES = house.sources(PANEL.parent)
ARROWS = house.arrows(SOURCES)


def upwards(folder: str, floors: tuple[tuple[str, ...], ...]) -> dict[tuple[str, str], set[str]]:
    """Arrows of a folder's parts that go up or back on a floor, with the modules they come from."""
    place = {part: (n, i) for n, floor in enumerate(floors) for i, part in enumerate(floor)}
    within_folder = ".".join(("panel", folder)).rstrip(".")
    return {
        (here, there): by
        for here, others in house.between_parts(ARROWS, within_folder).items()
        for there, by in others.items()
        if here in place and there in place and place[there] > place[here]
    }


def test_each_part_of_the_house_stands_on_a_floor() -> None:
    there = {path.stem for path in PANEL.iterdir() if path.suffix == ".py" or path.is_dir()}
    named = [part for floor in FLOORS for part in floor]
    assert len(named) == len(set(named)) > 15
    assert there - {"__init__", "__pycache__"} == set(named)


@pytest.mark.parametrize("folder", INSIDE)
def test_parts_named_in_the_order_of_a_folder_are_there(folder: str) -> None:
    named = [part for floor in INSIDE[folder] for part in floor]
    assert len(named) == len(set(named))
    there = {path.stem for path in (PANEL / folder).iterdir()}
    assert set(named) - there == set()
    folders = {path.name for path in (PANEL / folder).iterdir() if (path / "__init__.py").exists()}
    assert folders - set(named) - {"migrations"} == set(), "a folder without a place in the order"


@pytest.mark.parametrize("folder", ["", *INSIDE])
def test_arrows_go_down(folder: str) -> None:
    found = upwards(folder, INSIDE.get(folder, FLOORS))
    allowed = {(here, there) for at, here, there in UPWARDS if at == folder}
    assert {arrow: by for arrow, by in found.items() if arrow not in allowed} == {}
    assert allowed - set(found) == set(), "no longer needed in UPWARDS"


def test_arrows_of_the_house_are_seen() -> None:
    assert len(ARROWS) > 200
    assert "panel.analysis.decision.rule" in ARROWS["panel.analysis.decision.judgement"]
    assert upwards("", FLOORS[::-1]) != {}


def test_no_files_import_each_other_in_a_circle() -> None:
    assert house.circles(ARROWS) == []


FOLDERS = sorted(
    ".".join(path.parent.relative_to(PANEL.parent).parts)
    for path in PANEL.rglob("__init__.py")
    if "versions" not in path.parts
)


@pytest.mark.parametrize("folder", FOLDERS)
def test_no_parts_of_a_folder_import_each_other_in_a_circle(folder: str) -> None:
    parts = house.between_parts(ARROWS, folder)
    at = folder.removeprefix("panel").lstrip(".")
    for _, here, there in (arrow for arrow in UPWARDS if arrow[0] == at):
        parts[here].pop(there, None)
    assert house.circles({here: set(others) for here, others in parts.items()}) == []


def test_circles_are_found() -> None:
    graph = {
        "a": {"b"},
        "b": {"c"},
        "c": {"a", "d"},
        "d": {"e"},
        "e": {"d"},
        "f": {"a"},
        "g": set(),
    }
    assert house.circles(graph) == [["d", "e"], ["a", "b", "c"]]


# --- what is counted ---------------------------------------------------------------------------

NAMES_AT_MOST = 15
UNTYPED_AT_MOST = 48


def test_places_that_know_a_procedure_by_its_name_are_those_that_are_listed() -> None:
    """tests/knows_a_name.csv; `python tests/bench/house.py --renew` writes it, reasons are kept."""
    found = house.counted(house.every_place(PANEL.parent))
    listed = {at: lines for at, (lines, _reason) in house.allowed().items()}
    assert {at: found[at] for at in found if found[at] > listed.get(at, 0)} == {}, (
        "ask the procedure"
    )
    assert {at: listed[at] for at in listed if listed[at] > found.get(at, 0)} == {}, (
        "stale: --renew"
    )
    assert sum(found.values()) <= NAMES_AT_MOST
    reasons = {reason for _lines, reason in house.allowed().values()}
    assert "" not in reasons
    assert house.NO_REASON not in reasons


def test_mappings_without_a_type_do_not_become_more() -> None:
    assert len(house.untyped(SOURCES)) <= UNTYPED_AT_MOST


MADE_UP = {
    "panel/procedures/abx.py": (
        'X = Abx(\n    code="abx",\n    purpose="heard",\n)\nY = X.code == "abx"\n'
    ),
    "panel/procedures/liking.py": (
        'X = Liking(\n    code="preference",\n    purpose="liking",\n    ties=True,\n)\n'
    ),
    **{
        f"panel/procedures/{code}.py": f'X = Own(\n    code="{code}",\n    purpose="heard",\n)\n'
        for code in ("triangle", "duo_trio", "same_different", "attribute")
    },
}


@pytest.fixture
def made_up(tmp_path: Path):
    """A small house of seven procedures, to which a test adds a file with these lines."""

    def build(text: str, name: str = "panel/analysis/some.py") -> list[house.Source]:
        for path, said in {**MADE_UP, name: text}.items():
            (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / path).write_text(said, encoding="utf-8")
        return house.sources(tmp_path)

    return build


@pytest.mark.parametrize(
    ("line", "many"),
    [
        ('a = kind.code == "abx"', 1),
        ('a = kind.code in ("abx", "triangle")', 1),
        ('a = {\n    "abx": 1,\n    "attribute": 2,\n}', 2),
        ("from panel.procedures.abx import Abx", 1),
        ("from panel.procedures import abx", 1),
        ("from panel.analysis.counts import same_different", 1),
        ("a = kind.is_abx", 1),
        ("a = kind.ties", 1),
        ('a = kind.purpose == "liking"', 1),
        ('a = kind.purpose == "heard"', 0),
        (
            "class C:\n    @property\n    def liked(self) -> bool:\n"
            '        return self.kind.purpose == "liking"\na = c.liked\nb = c.other',
            2,
        ),
        ("from panel.procedures.base import Procedure", 0),
        ('a = contrast["attribute"]', 0),
        ('a = contrast.get("attribute")', 0),
        ('a = {"attribute": text, "name": name}', 0),
        ('"""What abx is."""', 0),
    ],
)
def test_places_that_know_a_name_are_counted(made_up, line: str, many: int) -> None:
    assert len(house.places(made_up(line + "\n"))) == many


def test_marks_of_a_figure_are_no_procedures(made_up) -> None:
    text = 'shape = "triangle"\n'
    assert house.places(made_up(text, "panel/report/figures/some.py")) == []


@pytest.mark.parametrize(
    ("line", "many"),
    [
        ("def f(a: dict[str, Any]) -> None: ...", 1),
        ("def f(a: int) -> Mapping[str, object]: ...", 1),
        ("Document = dict[str, Any]\ndef f(a: Document) -> None: ...", 2),
        ("def f(a: list[Any]) -> None: ...", 1),
        ("a = cast(int, b)", 1),
        ("class A:\n    more: Mapping[str, Json]", 1),
        ("def f(a: dict[str, Json]) -> None: ...", 1),
        ("def f(a: dict[str, int], b: object) -> None: ...", 0),
    ],
)
def test_mappings_without_a_type_are_counted(made_up, line: str, many: int) -> None:
    assert len(house.untyped(made_up(line + "\n"))) == many
