"""Legal moves: published counts, and python-chess on positions drawn at random."""

from __future__ import annotations

from typing import Any

import chess
import pytest
from hypothesis import given
from strategies import games, positions

#: Counts of legal lines. Those of the first position: N. J. A. Sloane (ed.), The On-Line
#: Encyclopedia of Integer Sequences, A048987 (its number from memory). All others: python-chess,
#: examples/perft/tricky.perft.
PERFT = [
    (chess.STARTING_FEN, 5, 4865609),
    ("r3k2r/p1ppqpb1/bn2pnp1/3PN3/1p2P3/2N2Q1p/PPPBBPPP/R3K2R w KQkq - 0 1", 3, 97862),
    ("8/2p5/3p4/KP5r/1R3p1k/8/4P1P1/8 w - - 0 1", 4, 43238),
    ("r2q1rk1/pP1p2pp/Q4n2/bbp1p3/Np6/1B3NBn/pPPP1PPP/R3K2R b KQ - 0 1", 3, 9467),
    ("rnbq1k1r/pp1Pbppp/2p5/8/2B5/8/PPP1NnPP/RNBQK2R w KQ - 0 1", 3, 62379),
    ("r4rk1/1pp1qppp/p1np1n2/2b1p1B1/2B1P1b1/P1NP1N2/1PP1QPPP/R4RK1 w - - 0 1", 3, 89890),
    ("8/ppp3p1/8/8/3p4/5Q2/1ppp2K1/brk4n w - - 0 1", 4, 134167),
    ("8/6kR/8/8/8/bq6/1rqqqqqq/K1nqnbrq b - - 0 1", 4, 50268),
    ("3R4/8/q4k2/2B5/1NK5/3b4/8/8 w - - 0 1", 3, 2854),
    ("2Nq4/2K5/1b6/8/7R/3k4/7P/8 w - - 0 1", 3, 1217),
    ("5R2/2P5/8/4k3/8/3rK2r/8/8 w - - 0 1", 3, 1030),
    ("8/8/8/1k6/3Pp3/8/8/4KQ2 b - d3 0 1", 3, 711),
    ("1b1k4/8/8/1rPpK3/8/8/8/8 w - d6 0 1", 3, 555),
    ("rnbqk1nr/bb3p1p/1q2r3/2pPp3/3P4/7P/1PP1NpPP/R1BQKBNR w KQkq c6 0 1", 3, 2528),
]


@pytest.mark.parametrize(("fen", "depth", "count"), PERFT)
def test_published_counts(code: Any, state: Any, fen: str, depth: int, count: int) -> None:
    code.moves.put_board(state, 0, chess.Board(fen))
    assert code.moves.perft(state, 0, depth) == count


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fen", "depth", "count"),
    [(PERFT[0][0], 6, 119060324), (PERFT[1][0], 5, 193690690)],
)
def test_published_counts_of_more_plies(
    code: Any, state: Any, fen: str, depth: int, count: int
) -> None:
    """The first from OEIS A048987, the second from python-chess, examples/perft/ (see above)."""
    code.moves.put_board(state, 0, chess.Board(fen))
    assert code.moves.perft(state, 0, depth) == count


def compare(code: Any, state: Any, board: chess.Board) -> None:
    """Moves, check, and each position after a move, key and all."""
    moves = code.moves
    moves.put_board(state, 0, board)
    numbers = [int(m) for m in state["moves"][0][: moves.generate(state, 0, False)]]
    assert sorted(moves.to_move(m).uci() for m in numbers) == sorted(
        m.uci() for m in board.legal_moves
    )
    assert moves.in_check(state, 0) == board.is_check()
    for number in numbers:
        moves.make(state, 0, number)
        checkers = moves.checkers(state, 1)
        assert checkers == moves.checkers(state, 1)  # looked up, looked up again
        made = state["pos"][1][: moves.CHECKERS].copy()
        after = board.copy(stack=False)
        after.push(moves.to_move(number))
        moves.put_board(state, 1, after)
        assert (made == state["pos"][1][: moves.CHECKERS]).all(), (
            board.fen(),
            moves.to_move(number),
        )
        assert int(checkers) == after.checkers_mask()
    forcing = {moves.to_move(int(m)) for m in state["moves"][0][: moves.generate(state, 0, True)]}
    assert forcing == {
        m for m in board.legal_moves
        if (board.is_capture(m) and m.promotion in (None, chess.QUEEN, chess.KNIGHT))
        or m.promotion == chess.QUEEN
    }  # fmt: skip


@given(moves=games())
def test_games(code: Any, state: Any, moves: list[chess.Move]) -> None:
    board = chess.Board()
    for move in moves:
        board.push(move)
    compare(code, state, board)


@given(board=positions(least=4, most=9))
def test_placed_positions(code: Any, state: Any, board: chess.Board) -> None:
    compare(code, state, board)
