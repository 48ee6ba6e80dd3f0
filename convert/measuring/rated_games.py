"""Games whose results say something of their positions, read from PGN files and split in two parts.

A game is accepted that began from the usual position, has a result, was played to its end in the
file, was not decided by the clock, and whose players both have at least some rating.  Its name is a
hash of its moves, the same in every file and on every machine; it settles which part the game
belongs to: three games of ten are *held out*, the rest may be fitted (the split of
:mod:`convert.measuring.fit`).
"""

from __future__ import annotations

import io
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import chess

from convert.measuring.draw import name_of, rank_of
from convert.measuring.practice import PART, parts
from convert.reading.fastread import read_lines
from convert.reading.records import LineRead

T = TypeVar("T")

#: Seed of the names and of the split; that of ``python -m convert.measuring.rules``.
SEED = 1
#: Share of the games that is held out, in tenths.
HELD_OUT = 3
#: Points of a result for White.
POINTS = {"1-0": 1, "1/2-1/2": 0, "0-1": -1}

#: Why a game is not accepted, in the order in which it is asked.
NO_MOVES, SET_UP, NO_RESULT, LOST_ON_TIME, RATING = (
    "no moves that can be read",
    "set-up position",
    "no result, or broken off",
    "decided by the clock",
    "a rating too low or unknown",
)


@dataclass(frozen=True)
class Filter:
    """Which games are accepted: the least rating of both players (0: any, or none), and whether
    games decided by the clock are."""

    rating: int = 2000
    keep_lost_on_time: bool = False


@dataclass(frozen=True)
class RatedGame:
    """An accepted game.

    Attributes:
        name: hash of the moves, 16 hexadecimal digits.
        result: for White, 1 won, 0 drawn, -1 lost.
        white: White's rating, 0 if unknown.
        black: Black's rating, 0 if unknown.
        start: the position before the first move; shared, not to be changed.
        moves: the main line.
        label: the GameId tag, empty if there is none.
    """

    name: str
    result: int
    white: int
    black: int
    start: chess.Board
    moves: tuple[chess.Move, ...]
    label: str

    @property
    def held_out(self) -> bool:
        """Is the game in the part that nothing is fitted to?"""
        return held_out(self.name)

    def positions(self) -> Iterator[tuple[int, chess.Board]]:
        """Each ply from 0 on with the position after it; one board, changed as it goes on."""
        board = self.start.copy(stack=False)
        yield 0, board
        for ply, move in enumerate(self.moves, 1):
            board.push(move)
            board.clear_stack()
            yield ply, board


def held_out(name: str) -> bool:
    """Is the game of this name in the part that nothing is fitted to?"""
    return rank_of(SEED, "held out", name) % 10 < HELD_OUT


def rating(text: str) -> int:
    """A rating tag as a number, 0 where it is none."""
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 4 else 0


def reason_left_out(read: LineRead, which: Filter) -> str:
    """Why a game is not accepted; empty if it is.

    Decided by the clock: the Termination tag (PGN standard, section 9.8.1) is "time forfeit", or
    has the word "time" in it.
    """
    tags = read.headers
    if read.start is None or tags is None or not read.moves:
        return NO_MOVES
    if tags.get("FEN"):
        return SET_UP
    if not read.complete or tags.get("Result") not in POINTS:
        return NO_RESULT
    if not which.keep_lost_on_time and "time" in tags.get("Termination", "").lower():
        return LOST_ON_TIME
    if min(rating(tags.get("WhiteElo", "")), rating(tags.get("BlackElo", ""))) < which.rating:
        return RATING
    return ""


def accepted(read: LineRead, which: Filter) -> RatedGame | None:
    """The game if it is accepted, else None."""
    if reason_left_out(read, which):
        return None
    tags, start = read.headers, read.start
    assert tags is not None
    assert start is not None
    return RatedGame(
        name_of(read, SEED),
        POINTS[tags["Result"]],
        rating(tags.get("WhiteElo", "")),
        rating(tags.get("BlackElo", "")),
        start,
        read.moves,
        tags.get("GameId", ""),
    )


def in_text(text: bytes, which: Filter) -> Iterator[RatedGame]:
    """The accepted games of a piece of PGN text."""
    for read in read_lines("-", stdin=io.BytesIO(text)):
        game = accepted(read, which)
        if game is not None:
            yield game


def held_out_games(paths: Iterable[str], which: Filter) -> Iterator[RatedGame]:
    """The accepted games of the files that nothing is fitted to, in their order.

    Raises:
        SourceError: a file cannot be read.
    """
    for path in paths:
        for text in parts(path):
            yield from (game for game in in_text(text, which) if game.held_out)


def each_part(
    paths: Iterable[str], work: Callable[[bytes], T], jobs: int = 1, size: int = PART
) -> Iterator[T]:
    """What ``work`` makes of each piece of PGN text of the files, in their order.

    Args:
        work: a function that other processes can be given.
        jobs: processes; the answers do not depend on their number.
        size: bytes of a piece, about.

    Raises:
        SourceError: a file cannot be read.
    """
    texts = (text for path in paths for text in parts(path, size))
    if jobs <= 1:
        yield from map(work, texts)
        return
    waiting: deque[Future[T]] = deque()
    with ProcessPoolExecutor(jobs) as executor:
        try:
            for text in texts:
                waiting.append(executor.submit(work, text))
                if len(waiting) > 2 * jobs:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        except BaseException:
            executor.shutdown(wait=False, cancel_futures=True)
            raise
