"""Men left hanging and missed mates are never overlooked, at the default effort."""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from pathlib import Path

import chess
import chess.pgn
import pytest

from convert.board.moves import after_move
from convert.judging.bench import open_bench
from convert.judging.judges import Bench
from convert.measuring.quiet import exchange_gain
from convert.model import Evidence
from convert.review.slips import slip_of
from tablebases.values import Outcome

sys.path.insert(0, str(Path(__file__).parent / "search"))
from test_search import random_mates

GAMES = Path(__file__).parents[1] / "data" / "classic_games.pgn"
#: A piece at least is lost, and the larger search agrees to so much (hundredths of a pawn).
PIECE, SEEN = 3, 250
#: Positions that the larger search looks at: five times as many as a review.
LARGER = 100_000


@pytest.fixture(scope="module")
def bench() -> Bench:
    return open_bench((), "normal", solve=False)


def positions(seed: int) -> Iterator[chess.Board]:
    """Positions of games, in the order of a draw."""
    found = []
    with GAMES.open(encoding="utf-8") as file:
        while (game := chess.pgn.read_game(file)) is not None:
            board = game.board()
            for move in game.mainline_moves():
                board.push(move)
                if board.occupied.bit_count() >= 10 and not board.is_check():
                    found.append(board.copy(stack=False))
    random.Random(seed).shuffle(found)
    yield from found


def hanging(bench: Bench, number: int, seed: int) -> Iterator[tuple[chess.Board, chess.Move]]:
    """Level positions, each with a move that leaves a piece to be taken for nothing.

    That a capture wins it says an exchange on its square, that nothing is had for it a search ten
    times as large, and that the position was level too.
    """
    for board in positions(seed):
        if not number:
            return
        before = bench.look.search.search(board, LARGER // 2).score
        if abs(before) > 80:
            continue
        moves = sorted(board.legal_moves, key=chess.Move.uci)
        random.Random(board.fen()).shuffle(moves)
        for move in moves:
            if board.is_capture(move) or board.gives_check(move):
                continue
            child = after_move(board, move)
            if any(
                exchange_gain(child, taking) >= PIECE for taking in child.generate_legal_captures()
            ):
                after = -bench.look.search.search(child, LARGER).score
                if before - after >= SEEN and after <= -SEEN:
                    number -= 1
                    yield board, move
                    break


@pytest.mark.parametrize("number", [2, pytest.param(12, marks=pytest.mark.slow)])
def test_men_left_hanging_are_named(bench: Bench, number: int) -> None:
    named = 0
    for board, move in hanging(bench, number, seed=number):
        before = bench.verdict(board)
        after = bench.verdict(after_move(board, move)).for_side(before.side)
        slip = slip_of(bench, board, move, 1, before, after)
        assert slip is not None, (board.fen(), board.san(move))
        assert slip.held, board.fen()
        assert board.parse_san(slip.held[0].san) != move
        named += 1
        bench.forget()
    assert named == number


@pytest.mark.parametrize(
    ("moves", "number"),
    [(1, 4), (2, 1), pytest.param(2, 5, marks=pytest.mark.slow),
     pytest.param(3, 1, marks=pytest.mark.slow)],
)  # fmt: skip
def test_mates_are_certain_and_missing_one_is_named(bench: Bench, moves: int, number: int) -> None:
    """Where a mate in few moves was there, the win is certain.

    Of five moves drawn each after which it is not won for certain any more is a slip.
    """
    for board in random_mates(number, moves, seed=40 + moves):
        before = bench.verdict(board)
        assert before.low == Outcome.WIN, board.fen()
        assert before.exact
        assert moves > 1 or before.evidence is Evidence.RULES
        assert bench.look.found(board).mate == moves
        moves_there = sorted(board.legal_moves, key=chess.Move.uci)
        for move in random.Random(board.fen()).sample(moves_there, 5):
            child = after_move(board, move)
            if child.is_checkmate():
                continue
            after = bench.verdict(child).for_side(before.side)
            if after.high.points < 1:
                slip = slip_of(bench, board, move, 1, before, after)
                assert slip is not None, (board.fen(), board.san(move))
                assert slip.certain
        bench.forget()
