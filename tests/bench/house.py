"""What the house is like: who imports whom, who knows a procedure by its name, what has no type.

    python tests/bench/house.py [root of another checkout] [--places]

Prints the counts, and with `--places` each place that knows a name. Read with ast from the files as
they stand; nothing of the checkout is run. tests/test_architecture.py holds the same counts.
"""

import argparse
import ast
import csv
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TypeAlias

ROOT = Path(__file__).resolve().parents[2]
ALLOWED = ROOT / "tests" / "knows_a_name.csv"

MAPPINGS = {"dict", "Dict", "Mapping", "MutableMapping", "defaultdict", "OrderedDict"}
CARRIERS = {"contrast", "document", "raw", "entry", "self.contrast"}
"""Names of documents with an entry "attribute": what a contrast asks about, in the user's word."""
OTHER_MEANINGS = {
    "triangle": ("panel/report/figures", "the shape of a mark"),
    "reminder": ("panel/post panel/stages/listeners panel/desk/shown/listeners", "a mail"),
}
Alone: TypeAlias = tuple[set[str], dict[str, set[str]]]
ALSO_A_FOLDER = {"preference", "attribute", "reminder"}  # words of the job, besides


@dataclass(frozen=True, order=True)
class Place:
    """A line that knows a procedure by its name, in the function or class `within`."""

    file: str
    within: str
    line: int
    text: str


@dataclass(frozen=True)
class Source:
    """A file of panel/, read."""

    path: Path
    name: str
    text: str

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text)

    @cached_property
    def module(self) -> str:
        return self.name.removesuffix(".py").replace("/", ".").removesuffix(".__init__")

    @cached_property
    def parents(self) -> dict[ast.AST, ast.AST]:
        return {child: node for node in ast.walk(self.tree) for child in ast.iter_child_nodes(node)}

    def within(self, node: ast.AST) -> str:
        """The functions and classes around a node, outermost first."""
        names = []
        while node in self.parents:
            node = self.parents[node]
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                names.append(node.name)
        return ".".join(reversed(names)) or "-"


def sources(root: Path) -> list[Source]:
    """The files of panel/, without migrations, which describe tables as they once were."""
    return [
        Source(path, path.relative_to(root).as_posix(), path.read_text(encoding="utf-8"))
        for path in sorted((root / "panel").rglob("*.py"))
        if "versions" not in path.parts
    ]


# --- who imports whom -------------------------------------------------------------------------


def arrows(files: list[Source]) -> dict[str, set[str]]:
    """By module, the modules of ours that it imports, inside functions as well."""
    known = {source.module for source in files}
    out: dict[str, set[str]] = {}
    for source in files:
        found: set[str] = set()
        for node in ast.walk(source.tree):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [f"{node.module}.{alias.name}" for alias in node.names]
            for name in names:
                while name and name not in known:
                    name = name.rpartition(".")[0]
                found |= {name} - {"", "panel", source.module}
        out[source.module] = found
    return out


def between_parts(by_module: dict[str, set[str]], folder: str) -> dict[str, dict[str, set[str]]]:
    """By part of a folder (a file or a folder in it), the parts that it imports, and by whom."""
    depth = folder.count(".") + 2

    def part(module: str) -> str | None:
        if not module.startswith(folder + "."):
            return None
        return module.split(".")[depth - 1]

    out: dict[str, dict[str, set[str]]] = {}
    for module, imported in by_module.items():
        here = part(module)
        if here is None:
            continue
        others = out.setdefault(here, {})
        for name in imported:
            there = part(name)
            if there is not None and there != here:
                others.setdefault(there, set()).add(module)
    return out


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Sets of two or more that reach each other (Tarjan 1972, SIAM J. Comput. 1, 146–160)."""
    number: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    out = []

    def visit(node: str) -> None:
        number[node] = low[node] = len(number)
        stack.append(node)
        for after in sorted(graph.get(node, ())):
            if after not in number:
                visit(after)
                low[node] = min(low[node], low[after])
            elif after in stack:
                low[node] = min(low[node], number[after])
        if low[node] == number[node]:
            at = stack.index(node)
            together = stack[at:]
            del stack[at:]
            if len(together) > 1:
                out.append(sorted(together))

    for node in sorted(graph):
        if node not in number:
            visit(node)
    return out


# --- who knows a procedure by its name --------------------------------------------------------


def catalogue(files: list[Source]) -> list[Source]:
    """The files in which procedures describe themselves."""
    own = ("panel/procedures/", "panel/design/procedures.py", "panel/analysis/thurstone.py")
    return [source for source in files if source.name.startswith(own)]


def codes(files: list[Source]) -> set[str]:
    """The codes of the procedures there are."""
    found = {
        code
        for source in catalogue(files)
        for code in re.findall(r'^ +code="(\w+)"', source.text, re.MULTILINE)
    }
    assert len(found) > 5, "no procedures found: nothing would be counted"
    return found


def own_to_one(files: list[Source]) -> Alone:
    """Flags that one procedure alone sets; and values of an entry that one alone has, by entry."""
    said: dict[str, list[object]] = {}
    for source in catalogue(files):
        for node in ast.walk(source.tree):
            if isinstance(node, ast.Call) and any(k.arg == "code" for k in node.keywords):
                for given in node.keywords:
                    if given.arg and isinstance(given.value, ast.Constant):
                        said.setdefault(given.arg, []).append(given.value.value)
    flags = {
        name
        for name, values in said.items()
        if all(isinstance(value, bool) for value in values)
        and min(Counter([*values, *[False] * (len(said["code"]) - len(values))]).values()) == 1
    }
    words = {
        name: {value for value, times in Counter(values).items() if times == 1}
        for name, values in said.items()
        if len(set(values)) < len(values) and all(isinstance(value, str) for value in values)
    }
    return flags, words


def _documents_word(source: Source, node: ast.Constant, known: set[str]) -> bool:
    """Is this the name of an entry for what is asked about, not the procedure that asks by it?"""
    above = source.parents[node]
    if isinstance(above, ast.Compare) and isinstance(above.ops[0], ast.In | ast.NotIn):
        return ast.unparse(above.comparators[0]).endswith(".options")
    if isinstance(above, ast.Subscript):
        return ast.unparse(above.value).split(".")[-1] in CARRIERS
    if isinstance(above, ast.Call):
        called = ast.unparse(above.func)
        return (
            node in above.args
            and re.search(r"\.get$|\.text$|\.expected$|^Field$", called) is not None
        )
    if isinstance(above, ast.Dict) and node in above.keys:
        keys = {key.value for key in above.keys if isinstance(key, ast.Constant)}
        return not keys & (known - {"attribute"})
    return False


def _knows(source: Source, node: ast.AST, known: set[str], alone: Alone) -> bool:
    flags, words = alone
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in known:
        if node.value == "attribute":
            return not _documents_word(source, node, known)
        folders, _ = OTHER_MEANINGS.get(node.value, ("", ""))
        return not any(source.name.startswith(folder) for folder in folders.split())
    if isinstance(node, ast.ImportFrom | ast.Import):
        names = [alias.name for alias in node.names]
        at = f"{node.module}." if isinstance(node, ast.ImportFrom) else ""
        return any(
            set(path[1:])
            & (known if path[:2] == ["panel", "procedures"] else known - ALSO_A_FOLDER)
            for path in (f"{at}{name}".split(".") for name in names)
            if path[0] == "panel"
        )
    if isinstance(node, ast.Attribute | ast.FunctionDef | ast.Name):
        name = {ast.Attribute: "attr", ast.FunctionDef: "name", ast.Name: "id"}[type(node)]
        said = getattr(node, name)
        own_flag = isinstance(node, ast.Attribute) and said in flags
        return (
            own_flag or re.fullmatch(rf"(?:is|for|of|if)_(?:{'|'.join(known)})", said) is not None
        )
    if isinstance(node, ast.Compare):
        sides = [node.left, *node.comparators]
        asked = {one.attr for one in sides if isinstance(one, ast.Attribute)}
        values = {
            part.value
            for one in sides
            for part in ast.walk(one)
            if isinstance(part, ast.Constant) and isinstance(part.value, str)
        }
        return any(words.get(name, set()) & values for name in asked)
    return False


def _asks_for_one(source: Source, known: set[str], alone: Alone) -> Iterator[str]:
    """Properties that only say whether it is one certain procedure: their names stand for its."""
    for node in ast.walk(source.tree):
        if isinstance(node, ast.FunctionDef) and any(
            isinstance(one, ast.Name) and "property" in one.id for one in node.decorator_list
        ):
            given = node.body[-1]
            if isinstance(given, ast.Return) and isinstance(given.value, ast.Compare):
                equal = isinstance(given.value.ops[0], ast.Eq | ast.NotEq)
                parts = ast.walk(given.value)
                if equal and any(_knows(source, part, known, alone) for part in parts):
                    yield node.name


def _of_its_own(source: Source) -> set[str]:
    """Attributes that a file's own classes set, whatever they are called elsewhere."""
    return {
        node.attr
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store)
    }


def places(files: list[Source]) -> list[Place]:
    """Lines outside the procedures' own files that know one of them by its name.

    Counted: a string that is a code, an import of one procedure's file, a name such as `is_abx`, a
    flag that one procedure alone sets, a comparison with a value that one alone has, a property
    that is nothing but these. Not counted: the same word for something else (OTHER_MEANINGS; the
    entry "attribute" of a contrast).
    """
    known, own, (flags, words) = codes(files), catalogue(files), own_to_one(files)
    elsewhere = [source for source in files if source not in own]
    for source in elsewhere:
        flags = flags | set(_asks_for_one(source, known, (flags, words)))
    found: dict[tuple[str, int], Place] = {}
    for source in elsewhere:
        alone = flags - _of_its_own(source), words
        lines = source.text.splitlines()
        for node in ast.walk(source.tree):
            if hasattr(node, "lineno") and _knows(source, node, known, alone):
                place = Place(
                    source.name, source.within(node), node.lineno, lines[node.lineno - 1].strip()
                )
                found.setdefault((source.name, node.lineno), place)
    return sorted(found.values())


def places_on_pages(root: Path) -> list[Place]:
    """The same in templates and scripts: a code in quotes, but for the mail and the entry."""
    known = codes(sources(root)) - {"reminder", "attribute"}
    quoted = re.compile(
        rf"""["'](?:{"|".join(sorted(known))})["']|\.(?:code|procedure) [!=]= ["']\w+["']"""
    )
    return [
        Place(path.relative_to(root).as_posix(), "-", number, line.strip())
        for path in sorted((root / "web").rglob("*"))
        if path.suffix in (".html", ".js")
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if quoted.search(line)
    ]


def every_place(root: Path) -> list[Place]:
    """Those of panel/ and those of templates and scripts."""
    return [*places(sources(root)), *places_on_pages(root)]


def allowed() -> dict[tuple[str, str], tuple[int, str]]:
    """By file and function, how many lines may know a name there, and the reason."""
    with ALLOWED.open(encoding="utf-8", newline="") as lines:
        return {
            (row["file"], row["within"]): (int(row["lines"]), row["reason"])
            for row in csv.DictReader(lines)
        }


def counted(found: list[Place]) -> dict[tuple[str, str], int]:
    return dict(Counter((place.file, place.within) for place in found))


# --- what has no type -------------------------------------------------------------------------


def _annotations(source: Source) -> Iterator[tuple[ast.expr, str]]:
    """Each annotation, and what it is of: field, variable, parameter, result or alias."""
    for node in ast.walk(source.tree):
        if isinstance(node, ast.AnnAssign):
            field = isinstance(source.parents[node], ast.ClassDef)
            alias = isinstance(node.annotation, ast.Name) and node.annotation.id == "TypeAlias"
            if alias and node.value is not None:
                yield node.value, "alias"
            else:
                yield node.annotation, "field" if field else "variable"
        elif isinstance(node, ast.arg) and node.annotation is not None:
            yield node.annotation, "parameter"
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.returns is not None:
            yield node.returns, "result"
        elif (
            isinstance(node, ast.Assign)
            and isinstance(node.value, ast.Subscript)
            and isinstance(source.parents[node], ast.Module)
        ):
            yield node.value, "alias"


def _untyped(annotation: ast.expr, aliases: set[str], *, json: bool) -> Iterator[ast.AST]:
    """Parts of an annotation that say nothing: Any, a mapping to objects, an alias of these.

    `json`: whether a mapping to JSON counts too.
    """
    for node in ast.walk(annotation):
        if isinstance(node, ast.Name) and (node.id == "Any" or node.id in aliases):
            yield node
        elif isinstance(node, ast.Subscript) and ast.unparse(node.value) in MAPPINGS:
            value = node.slice.elts[-1] if isinstance(node.slice, ast.Tuple) else node.slice
            names = {part.id for part in ast.walk(value) if isinstance(part, ast.Name)}
            if "object" in names or (json and "Json" in names):
                yield node
        elif json and isinstance(node, ast.Name) and node.id == "Json":
            yield node


def untyped(files: list[Source]) -> list[tuple[str, int]]:
    """Lines with a mapping that nobody typed: Any, mappings to objects, aliases of these, casts.

    JSON as a type counts where a document holds it in a field, and where it is passed on outside
    study/; inside study/ it is what readers are given and what writers give.
    """
    aliases: set[str] = set()
    for _ in range(3):  # an alias of an alias
        for source in files:
            for node in source.tree.body:
                value = node.value if isinstance(node, ast.Assign | ast.AnnAssign) else None
                targets = (
                    node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", 0)]
                )
                if isinstance(value, ast.Subscript) and any(_untyped(value, aliases, json=False)):
                    aliases |= {one.id for one in targets if isinstance(one, ast.Name)}
    found: set[tuple[str, int]] = set()
    for source in files:
        inside = source.name.startswith("panel/study/")
        for annotation, where in _annotations(source):
            json = where == "field" or not inside
            found |= {
                (source.name, node.lineno) for node in _untyped(annotation, aliases, json=json)
            }
        found |= {
            (source.name, node.lineno)
            for node in ast.walk(source.tree)
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("cast", "typing.cast")
        }
    return sorted(found)


# --- how large it is --------------------------------------------------------------------------


def functions(files: list[Source]) -> Iterator[tuple[str, int, int]]:
    """Each function: file and name, its lines, and the ways through it.

    Ways: McCabe's number (1976, IEEE Trans. Softw. Eng. SE-2, 308–320), conditions inside
    expressions and comprehensions counted as well; a function inside another is part of it.
    """
    for source in files:
        for node in ast.walk(source.tree):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                assert node.end_lineno is not None
                name = ".".join([source.name, source.within(node), node.name]).replace(".-.", ".")
                yield name, node.end_lineno - node.lineno + 1, 1 + sum(map(_forks, ast.walk(node)))


def _forks(node: ast.AST) -> int:
    if isinstance(node, ast.BoolOp):
        return len(node.values) - 1
    if isinstance(node, ast.comprehension):
        return 1 + len(node.ifs)
    forks = (ast.If, ast.IfExp, ast.For, ast.AsyncFor, ast.While, ast.ExceptHandler, ast.Assert)
    return int(isinstance(node, (*forks, ast.match_case)))


def report(root: Path, *, each: bool) -> Iterator[str]:
    files = sources(root)
    known, on_pages = places(files), places_on_pages(root)
    sizes = list(functions(files))
    longest = max(sizes, key=lambda f: f[1])
    hardest = max(sizes, key=lambda f: f[2])
    lines = sum(len(source.text.splitlines()) for source in files)
    every = [*known, *on_pages]
    yield f"lines that know a procedure by its name, outside its file: {len(every)}"
    yield f"  in files: {len({place.file for place in every})}"
    yield f"  of these in templates and scripts: {len(on_pages)}"
    yield f"lines of untyped mappings in panel/: {len(untyped(files))}"
    literal = re.compile(r"dict\[str, Any\]|Mapping\[str, Any\]")
    plain = sum(bool(literal.search(x)) for one in files for x in one.text.splitlines())
    yield f"  of these by text, dict[str, Any] or Mapping[str, Any]: {plain}"
    yield f"files in panel/ (migrations apart): {len(files)}"
    yield f"lines in panel/ (migrations apart): {lines}"
    yield f"longest function: {longest[1]} lines, {longest[0]}"
    yield f"most ways through a function: {hardest[2]}, {hardest[0]}"
    together = circles(arrows(files))
    yield f"circles of files that import each other: {len(together)} {together or ''}".rstrip()
    if each:
        for place in every:
            yield f"{place.file}:{place.line}: {place.within}: {place.text}"


def main() -> None:
    asked = argparse.ArgumentParser(description="What the house is like, in counts.")
    asked.add_argument("root", nargs="?", type=Path, default=ROOT)
    asked.add_argument("--places", action="store_true", help="print each place that knows a name")
    asked.add_argument("--renew", action="store_true", help="write the list of allowed places anew")
    given = asked.parse_args()
    if given.renew:
        renew(every_place(ROOT))
    print(*report(given.root.resolve(), each=given.places), sep="\n")


def renew(found: list[Place]) -> None:
    """The list of allowed places as they are; reasons are kept, and new places want one."""
    before = allowed() if ALLOWED.exists() else {}
    with ALLOWED.open("w", encoding="utf-8", newline="") as lines:
        out = csv.writer(lines, lineterminator="\n")
        out.writerow(("file", "within", "lines", "reason"))
        for (file, within), many in sorted(counted(found).items()):
            reason = before.get((file, within), (0, NO_REASON))[1]
            out.writerow((file, within, many, reason))


NO_REASON = "to be asked of the procedure"


if __name__ == "__main__":
    main()
