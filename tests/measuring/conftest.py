"""Made games for the tests of measuring, made once."""

from __future__ import annotations

import pytest
from made_games import made_pgn

MADE = range(60)


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A PGN file of sixty made games."""
    path = tmp_path_factory.mktemp("games") / "made.pgn"
    path.write_text(made_pgn(MADE))
    return str(path)


@pytest.fixture(scope="session")
def turned(made: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The same games in the opposite order, the last one twice."""
    with open(made) as file:
        games = file.read().split("\n\n[Event ")
    games = [games[0], *("[Event " + game for game in games[1:])]
    path = tmp_path_factory.mktemp("turned") / "turned.pgn"
    path.write_text("\n\n".join([*reversed(games), games[-1]]) + "\n")
    return str(path)
