"""What the benchmarks over many games share: which games, and their texts."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from convert.collection.parts import Lines
from convert.reading.games import game_stops

GAMES = Path(
    os.environ.get("FULLPOINT_BENCH_PGN")
    or Path(__file__).parent.parent / "data" / "four_men_games.pgn"
)


def wanted(default: int) -> int:
    """The number of games asked for."""
    return int(os.environ.get("FULLPOINT_BENCH_GAMES", default))


def spans() -> Iterator[tuple[int, int]]:
    """Start and end of each game of the file, in bytes."""
    with GAMES.open("rb", buffering=0) as stream:
        lines = Lines(stream, 0, None)
        start = 0
        for stop in game_stops(str(GAMES), iter(lines)):
            end = lines.byte_after(stop)
            yield start, end
            start = end


def text_at(handle: int, span: tuple[int, int]) -> bytes:
    """The text of a game of the open file."""
    start, end = span
    return os.pread(handle, end - start, start)
