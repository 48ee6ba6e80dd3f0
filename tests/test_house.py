"""What keeps the house in order: one name for one thing, one place for one question."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
#: Names that say nothing of what they hold.
VAGUE = {"told", "found", "kept"}


def modules(*packages: str) -> Iterator[tuple[str, ast.Module]]:
    """Every module's path, below the repository, and its tree."""
    for package in packages:
        for path in sorted((ROOT / package).rglob("*.py")):
            name = path.relative_to(ROOT).as_posix()
            yield name, ast.parse(path.read_text(encoding="utf-8"), name)


def public_classes(*packages: str) -> dict[str, list[str]]:
    """Where each public class is defined."""
    places: dict[str, list[str]] = defaultdict(list)
    for name, tree in modules(*packages):
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places[node.name].append(name)
    return places


def body(function: ast.FunctionDef) -> str:
    """What a function does, whatever it and its parameters' types are called."""
    statements = function.body
    if ast.get_docstring(function) is not None:
        statements = statements[1:]
    parameters = [argument.arg for argument in function.args.args]
    return repr(parameters) + "".join(ast.dump(statement) for statement in statements)


def bodies(package: str) -> dict[str, list[str]]:
    """Where each body of a module's own function is written."""
    places: dict[str, list[str]] = defaultdict(list)
    for name, tree in modules(package):
        for node in tree.body:
            if isinstance(node, ast.FunctionDef):
                places[body(node)].append(f"{name}: {node.name}")
    return places


def vague_names(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Variables and parameters that hold a value under a name that says nothing of it.

    Fields of classes are left out: they are names in the JSON documents.
    """
    fields = {
        id(part.target)
        for node in ast.walk(tree)
        if isinstance(node, ast.ClassDef)
        for part in node.body
        if isinstance(part, ast.AnnAssign)
    }
    for node in ast.walk(tree):
        if id(node) in fields:
            continue
        if isinstance(node, ast.arg) and node.arg in VAGUE:
            yield node.lineno, node.arg
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store) and node.id in VAGUE:
            yield node.lineno, node.id


def test_no_two_public_classes_share_a_name() -> None:
    places = public_classes("convert", "tablebases")
    assert len(places) > 100
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def test_no_two_functions_have_one_body() -> None:
    assert [where for where in bodies("convert").values() if len(where) > 1] == []


@pytest.mark.parametrize("package", ["convert"])
def test_names_say_what_they_hold(package: str) -> None:
    vague = [
        f"{name}:{line} {word}"
        for name, tree in modules(package)
        for line, word in vague_names(tree)
    ]
    assert vague == []


def test_the_checks_see_what_they_look_for() -> None:
    tree = ast.parse("def one(told):\n    return [found for found in told]\n")
    assert [word for _, word in vague_names(tree)] == ["told", "found"]
    first, second = ast.parse(
        'def a(x):\n    "A."\n    return x + 1\ndef b(x):\n    return x + 1\n'
    ).body
    assert isinstance(first, ast.FunctionDef)
    assert isinstance(second, ast.FunctionDef)
    assert body(first) == body(second)
