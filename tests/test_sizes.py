"""Modules and functions stay small enough to be read in one go, kernels and data apart."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MODULES = sorted([*(ROOT / "convert").rglob("*.py"), *(ROOT / "tablebases").rglob("*.py")])
MOST_LINES = 600
MOST_OF_A_FUNCTION = 80
#: Modules that may be longer, and why.
LONGER = {
    "tablebases/solver/kernels.py": "compiled sweeps, inlined into each other",
    "tablebases/solver/structures.py": "one compiled expansion with its tables of exits",
    "tablebases/solver/classes.py": "one run over a class: counts, plans and turns share its state",
    "tablebases/solver/audit.py": "one check after the other of what was kept, none used elsewhere",
    "convert/judging/search/evaluation.py": "compiled terms, each a few lines on the same words",
}
#: Modules of compiled functions, which the compiler wants in one piece.
KERNELS = {
    "tablebases/solver/kernels.py",
    "tablebases/solver/structures.py",
    "convert/judging/search/evaluation.py",
    "convert/judging/search/kernel.py",
    "convert/judging/search/moves.py",
}


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def long_functions(text: str) -> Iterator[tuple[str, int]]:
    """Functions over the limit without ``# long: <reason>`` on or above their first line."""
    lines = text.split("\n")
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            continue
        length = (node.end_lineno or node.lineno) - node.lineno + 1
        first = min([node.lineno, *(mark.lineno for mark in node.decorator_list)])
        around = [lines[node.lineno - 1], lines[first - 2] if first > 1 else ""]
        excused = any(line.partition("# long: ")[2].strip() for line in around)
        if length > MOST_OF_A_FUNCTION and not excused:
            yield node.name, length


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_module_and_no_function_is_too_long(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    if name_of(path) not in LONGER:
        assert text.count("\n") <= MOST_LINES
    if name_of(path) not in KERNELS:
        assert list(long_functions(text)) == []


def test_every_exception_is_needed() -> None:
    for name in LONGER:
        assert (ROOT / name).read_text(encoding="utf-8").count("\n") > MOST_LINES, name


def test_a_long_function_is_seen_unless_it_says_why() -> None:
    body = "def long():\n" + "    x = 1\n" * MOST_OF_A_FUNCTION
    assert list(long_functions(body)) == [("long", MOST_OF_A_FUNCTION + 1)]
    assert list(long_functions("# long: one loop\n" + body)) == []
    assert list(long_functions("# long:\n" + body)) != []
    assert list(long_functions("# long: one loop\n@mark\n" + body)) == []
