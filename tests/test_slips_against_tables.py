"""A hundred real games that reach four men, reviewed and read again by brute force.

``data/four_men_games.pgn`` (source in ``data/SOURCES.md``).  Wherever at most
four men stand before the move, the certain slips and the only moves that the
review reports are compared with a list made from python-chess's own reading of
the tables and every legal move (``slow_reference.py``, which shares no code with
the program): the two lists must be equal.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import chess
import pytest
from slow_reference import MEN, Reference, men

from convert.judging.judges import Bench
from convert.model import Review, Slip
from convert.reading.games import read_games
from convert.reading.records import GameRead
from convert.review.game import review_game
from tablebases.files import bundled_folder
from tablebases.probing import open_tables

GAMES = Path(__file__).parent / "data" / "four_men_games.pgn"
ALL = 100
#: The last of the games looked at in the quick run.
QUICK = 4
#: At least so many of the games hold certain slips (in the quick run: so many).
WITH_SLIPS, QUICK_WITH_SLIPS = 35, 2
#: Deepest plain search for a slip outside the tables, in plies.
DEEPEST = 6

#: Games of the slow run; the others take as long again.
SLOW = 20


def _marks(number: int) -> list[pytest.MarkDecorator]:
    if number == QUICK:
        return []
    return [pytest.mark.slow if number <= SLOW else pytest.mark.long]


NUMBERS = [pytest.param(number, marks=_marks(number)) for number in range(1, ALL + 1)]


@cache
def _reads() -> tuple[GameRead, ...]:
    return tuple(read_games(GAMES))


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    """The judges over the bundled tables, emptied between games by the test."""
    with open_tables() as tables:
        yield Bench(tables)


@pytest.fixture(scope="module")
def reference() -> Iterator[Reference]:
    """The same tables, read by brute force."""
    found = Reference(bundled_folder())
    yield found
    found.close()


def _start(read: GameRead) -> chess.Board:
    assert read.game is not None
    return read.game.board()


def _boards(read: GameRead) -> list[chess.Board]:
    board = _start(read)
    out = [board.copy(stack=False)]
    for move in read.moves:
        board.push(move)
        out.append(board.copy(stack=False))
    return out


def _small(board: chess.Board) -> bool:
    return men(board) <= MEN and not board.castling_rights


def _compare_slips(review: Review, read: GameRead, reference: Reference) -> int:
    """The two lists of certain slips with at most four men; returns their length."""
    boards = _boards(read)
    wanted = reference.slips(_start(read), read.moves)
    told = [s for s in review.slips if s.certain and _small(boards[s.ply - 1])]
    assert [(s.ply, s.side.value, s.before.points, s.after.points) for s in told] == [
        (s.ply, s.side, s.before, s.after) for s in wanted
    ]
    for ours, theirs in zip(told, wanted, strict=True):
        held = {move.uci for move in ours.held}
        assert held <= theirs.holding
        assert len(held) == len(ours.held) == min(6, len(theirs.holding))
        for move in ours.held:
            assert move.verdict.side is ours.side
            assert (move.verdict.points or 0) >= theirs.before
    return len(told)


def _compare_only_moves(review: Review, read: GameRead, reference: Reference) -> None:
    """Equal lists, but for what the tables leave open.

    Where a table rounds a distance and that one ply decides, the review makes no
    claim; the brute force finds the distance out by search.
    """
    boards = _boards(read)
    known = reference.only_moves(_start(read), read.moves)
    told = {
        (only.ply, only.side.value, boards[only.ply - 1].parse_san(only.san).uci(), only.found)
        for only in review.only_moves
        if _small(boards[only.ply - 1])
    }
    assert told <= {(only.ply, only.side, only.uci, only.found) for only in known}
    assert {(only.ply, only.side, only.uci, only.found) for only in known if only.plain} <= told


def _confirm(slip: Slip, board: chess.Board, move: chess.Move, reference: Reference) -> None:
    """A slip with more than four men: both halves of the claim by a search of our own."""
    before, after = slip.before.low.points, slip.after.high.points
    assert reference.proves_slip(board, move, before, after, DEEPEST), board.fen()


@pytest.mark.parametrize("number", NUMBERS)
def test_review_and_brute_force_say_the_same(
    number: int, bench: Bench, reference: Reference
) -> None:
    read = _reads()[number - 1]
    assert read.complete
    bench.forget()
    review = review_game(read, bench)
    boards = _boards(read)
    _compare_slips(review, read, reference)
    _compare_only_moves(review, read, reference)
    for slip in review.slips:
        if slip.certain and not _small(boards[slip.ply - 1]):
            _confirm(slip, boards[slip.ply - 1], read.moves[slip.ply - 1], reference)
    for ply, record in enumerate(review.plies, 1):
        if _small(boards[ply]):
            mover_points = reference.points(boards[ply])
            told = record.verdict.for_side(record.side.other)
            assert (told.low.points, told.high.points) == mover_points, boards[ply].fen()


def test_the_plain_search_proves_and_refuses(reference: Reference) -> None:
    """With five men: 1.Qxd8+ wins at once, 1.Qd7 hangs the queen (position made for this)."""
    board = chess.Board("3r3k/8/8/8/8/8/3QP3/4K3 w - - 0 1")
    assert reference.proves_slip(board, board.parse_san("Qd7"), 1, 0, 2)
    assert not reference.proves_slip(board, board.parse_san("Qxd8+"), 1, 0, 2)


def test_the_file_is_what_it_says(reference: Reference) -> None:
    """A hundred different games, each with its source, each reaching four men."""
    reads = _reads()
    assert len(reads) == ALL
    tags = [read.game.headers for read in reads if read.game is not None]
    assert len({tag["GameId"] for tag in tags}) == ALL
    assert all(tag["Source"] for tag in tags)
    assert all(tag["White"] == tag["Black"] == "?" for tag in tags)
    for read in reads:
        assert any(_small(board) for board in _boards(read))


def test_slips_are_there_to_be_found(reference: Reference) -> None:
    """The comparison would be empty without games that hold slips, of several kinds."""
    assert _with_slips(reference, QUICK) >= QUICK_WITH_SLIPS


@pytest.mark.slow
def test_slips_are_there_to_be_found_in_all_games(reference: Reference) -> None:
    assert _with_slips(reference, ALL) >= WITH_SLIPS


def _with_slips(reference: Reference, games: int) -> int:
    return sum(bool(reference.slips(_start(read), read.moves)) for read in _reads()[:games])
