"""Finds the texts of verdict and report in the source, for `pybabel extract`: the `said` of
web/words/report.cfg.

Found are the texts in `say("…")`, `say.count(n, "…", "…")` and `T_(…)`. Where what is said has a
name, as in `say(text)` or `say(SENTENCES[code])`, it is all that the name stands for in that file.
"""

import ast
from collections.abc import Collection, Iterator
from typing import IO, TypeAlias

Found: TypeAlias = tuple[int, str, str | tuple[str, str], list[str]]
Text: TypeAlias = tuple[int, str]  # the line and what stands there
Function: TypeAlias = ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda
Scope: TypeAlias = list[ast.AST]  # from the innermost function out to the module


def extract(
    source: IO[bytes], keywords: object, comment_tags: Collection[str], options: object
) -> Iterator[Found]:
    """(line, function, texts, comments) of each text of a file of Python, as babel wants them."""
    tree = ast.parse(source.read())
    within = _scopes(tree)
    for call in ast.walk(tree):
        if not isinstance(call, ast.Call) or not call.args:
            continue
        if _named(call.func, "T_"):
            for line, text in _strings(call.args[0]):
                yield line, "say", text, []
        elif _named(call.func, "say"):
            for line, text in _told(call.args[0], within[call], set()):
                yield line, "say", text, []
        elif isinstance(call.func, ast.Attribute) and _named(call.func.value, "say"):
            one, many = (_only(argument) for argument in call.args[1:3])
            yield call.lineno, "ngettext", (one, many), []


def _named(node: ast.expr, name: str) -> bool:
    """`name` itself, or something's `name`."""
    return (isinstance(node, ast.Name) and node.id == name) or (
        isinstance(node, ast.Attribute) and node.attr == name
    )


def _only(node: ast.expr) -> str:
    assert isinstance(node, ast.Constant), f"line {node.lineno}: a text is wanted here"
    return str(node.value)


def _scopes(tree: ast.Module) -> dict[ast.AST, Scope]:
    """In which functions each call stands, the innermost first."""
    out: dict[ast.AST, Scope] = {}

    def enter(node: ast.AST, scope: Scope) -> None:
        out[node] = scope
        inner = [node, *scope] if isinstance(node, Function) else scope
        for child in ast.iter_child_nodes(node):
            enter(child, inner)

    enter(tree, [tree])
    return out


def _told(node: ast.expr, scope: Scope, seen: set[str]) -> Iterator[Text]:
    """The texts that an expression may come to."""
    if isinstance(node, ast.Name):
        if node.id not in seen:
            for value in _values(node.id, scope):
                yield from _told(value, scope, seen | {node.id})
    elif isinstance(node, ast.IfExp):
        yield from _told(node.body, scope, seen)
        yield from _told(node.orelse, scope, seen)
    elif isinstance(node, ast.Subscript):
        yield from _told(node.value, scope, seen)
    elif isinstance(node, ast.Call):  # a table's .get(code, text)
        if isinstance(node.func, ast.Attribute) and node.func.attr == "get":
            for part in (node.func.value, *node.args[1:]):
                yield from _told(part, scope, seen)
    elif isinstance(node, ast.Constant | ast.Dict | ast.Tuple):
        yield from _strings(node)


def _values(name: str, scope: Scope) -> list[ast.expr]:
    """What a name is given in the innermost function that gives it something, or in the module."""
    for place in scope:
        body = ast.walk(place) if isinstance(place, Function) else ast.iter_child_nodes(place)
        found = [
            node.value
            for node in body
            if isinstance(node, ast.Assign)
            and any(isinstance(to, ast.Name) and to.id == name for to in node.targets)
        ]
        if found:
            return found
    return []


def _strings(node: ast.expr) -> Iterator[Text]:
    """Every text in it, the keys of tables left out."""
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str) and node.value:
            yield node.lineno, node.value
    elif isinstance(node, ast.Dict):
        for value in node.values:
            yield from _strings(value)
    else:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.expr):
                yield from _strings(child)
            elif isinstance(child, ast.keyword):
                yield from _strings(child.value)
