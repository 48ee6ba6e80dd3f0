"""The questions of docs/collection.md, asked of the demo games, get the answers given there."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from convert.collection.rows import GamePlace, Options, Rows, rows_of
from convert.judging.bench import open_bench
from convert.reading.games import read_games

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "docs" / "collection.md"
BLOCK = re.compile(r"^```(sql|python)\n(.*?)^```\n(?:\n((?:\|[^\n]*\n)+))?", re.M | re.S)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the collection ``season`` in it."""
    pytest.importorskip("pyarrow")
    from convert.collection.write import write_rows

    bench = open_bench((), "quick", solve=False)
    options = Options(effort="quick", solve=False)

    def rows() -> Iterator[Rows]:
        for path in sorted((ROOT / "demo_games").glob("*.pgn")):
            for read in read_games(path):
                place = GamePlace(f"demo_games/{path.name}", read.number, 0)
                yield rows_of(read, options, bench, place)

    folder = tmp_path_factory.mktemp("collection")
    write_rows(rows(), folder / "season", "demo")
    return folder


def markdown(names: list[str], rows: list[tuple[Any, ...]]) -> str:
    """A result as a table."""

    def told(value: Any) -> str:
        if isinstance(value, bool):
            return "yes" if value else "no"
        return f"{value:g}" if isinstance(value, float) else str(value)

    lines = [names, ["---"] * len(names), *([told(v) for v in row] for row in rows)]
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)


def asked_in_sql(code: str, connection: Any) -> str | None:
    """The answer of the last statement; none for one that only prepares."""
    result = connection.execute(code)
    names = [column[0] for column in result.description]
    return None if code.startswith("CREATE") else markdown(names, result.fetchall())


def asked_in_python(code: str) -> str:
    """The value of the last expression, a data frame of pandas or polars."""
    *body, last = ast.parse(code).body
    assert isinstance(last, ast.Expr)
    names: dict[str, Any] = {}
    exec(compile(ast.Module(body, []), str(PAGE), "exec"), names)
    frame = eval(compile(ast.Expression(last.value), str(PAGE), "eval"), names)
    rows = frame.rows() if hasattr(frame, "rows") else list(frame.itertuples(index=False))
    return markdown(list(frame.columns), [tuple(row) for row in rows])


def answers(text: str, library: str) -> Iterator[tuple[re.Match[str], str | None]]:
    """The blocks for a library, each with what comes of it."""
    if library == "duckdb":
        import duckdb

        connection = duckdb.connect()
    for block in BLOCK.finditer(text):
        code = block[2]
        if library == "duckdb" and block[1] == "sql":
            yield block, asked_in_sql(code, connection)
        elif block[1] == "python" and f"import {library}" in code:
            yield block, asked_in_python(code)


@pytest.mark.parametrize(("library", "questions"), [("duckdb", 5), ("pandas", 1), ("polars", 1)])
def test_answers(
    library: str,
    questions: int,
    season: Path,
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
) -> None:
    pytest.importorskip(library)
    monkeypatch.chdir(season)
    text = PAGE.read_text(encoding="utf-8").partition("\n## Definitions")[0]
    found = list(answers(text, library))
    assert sum(answer is not None for _, answer in found) == questions
    if request.config.getoption("--update-gold"):
        whole = PAGE.read_text(encoding="utf-8")
        for block, answer in reversed(found):
            if answer is not None:
                begin = f"```{block[1]}\n{block[2]}```\n\n"
                after = (
                    whole[block.end() :] if block[3] else "\n" + whole[block.end() :].lstrip("\n")
                )
                whole = whole[: block.start()] + begin + answer + after
        PAGE.write_text(whole, encoding="utf-8")
        return
    for block, answer in found:
        assert block[3] == answer, block[2]
