"""What the tests of collections share: files of games, and all rows of a collection."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from convert.cli import main
from convert.collection.schema import TABLES

ROOT = Path(__file__).parent.parent
FOUR_MEN = ROOT / "tests" / "data" / "four_men_games.pgn"
DEMO = ROOT / "demo_games"


def call(*args: str) -> int:
    """The exit code of ``fullpoint collection`` with these arguments."""
    with pytest.raises(SystemExit) as left:
        main(["collection", *args])
    return int(left.value.code or 0)


def some_games(number: int, first: int = 0) -> str:
    """Text of some real games (tests/data/SOURCES.md)."""
    games = FOUR_MEN.read_text(encoding="utf-8").split("\n\n[Event ")
    texts = [games[0], *("[Event " + text for text in games[1:])]
    return "".join(text.strip() + "\n\n" for text in texts[first : first + number])


def rows(out: Path) -> dict[str, list[dict[str, Any]]]:
    """All rows by table, in an order of their own."""
    return {
        table: sorted(
            (
                row
                for path in (out / table).glob("*.parquet")
                for row in pq.ParquetFile(path).read().to_pylist()
            ),
            key=repr,
        )
        for table in TABLES
    }


def places(out: Path) -> list[tuple[str, int]]:
    """File and number of each game."""
    return sorted((row["file"], row["number"]) for row in rows(out)["games"])


def names(out: Path) -> list[str]:
    """Everything in the folder, by relative name."""
    return sorted(str(path.relative_to(out)) for path in out.rglob("*") if path.is_file())


# --- a game at which a worker dies -------------------------------------------------------------

POISON = "0-poison.pgn"


def poisoned(folder: Path) -> None:
    """From now on this process dies when it begins to read the file POISON, and leaves a note."""
    from convert.collection import work

    real = work.games_in

    def deadly(part: Any, **more: Any) -> Any:
        if part.file.endswith(POISON):
            (folder / f"died-{os.getpid()}").touch()
            os._exit(9)
        return real(part, **more)

    work.games_in = deadly


def begin_poisoned(counter: Any) -> None:
    """Sets a worker of the local pool up that dies at the file POISON."""
    from convert.collection.work import begin_worker

    begin_worker(counter)
    poisoned(Path.cwd())
