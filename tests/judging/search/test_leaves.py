"""Exact leaves: every answer is that of the tables, under the fifty-move rule."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import chess
import numpy as np
import pytest
from chess import KING

from convert.judging.search.front import Search, _Worker
from tablebases import Outcome
from tablebases.probing import SyzygyProber

PIECES = [chess.QUEEN, chess.ROOK, chess.BISHOP, chess.KNIGHT, chess.PAWN]
RESULT = {Outcome.WIN: 1, Outcome.LOSS: -1}


def drawn(rng: random.Random, men: int) -> chess.Board:
    """A legal position with so many men and any halfmove clock."""
    while True:
        board = chess.Board(None)
        squares = rng.sample(range(64), men)
        board.set_piece_at(squares[0], chess.Piece(KING, True))
        board.set_piece_at(squares[1], chess.Piece(KING, False))
        for square in squares[2:]:
            board.set_piece_at(square, chess.Piece(rng.choice(PIECES), rng.random() < 0.5))
        board.turn = rng.random() < 0.5
        board.halfmove_clock = rng.choice([0, 0, 1, 20, 60, 85, 99])
        if board.is_valid():
            return board


def probe(code: Any, worker: _Worker, board: chess.Board) -> int:
    code.moves.put_board(worker.state, 0, board)
    return int(code.leaves.probe(worker.state, 0, worker.leaves.heads, worker.leaves.pool))


def test_sampled_positions(code: Any, full: Search, tables: SyzygyProber) -> None:
    worker, rng = _Worker(full, 4), random.Random(14)
    known = unknown = won = 0
    for _ in range(4000):
        board = drawn(rng, rng.choice([3, 4, 4, 4]))
        if board.is_game_over():
            continue
        found = probe(code, worker, board)
        answer = tables.outcome(board)
        if found == code.leaves.UNKNOWN:
            # Only a win that the clock may leave no time for is not told.
            assert board.halfmove_clock > 0, board.fen()
            assert abs(tables.wdl_after_zeroing(board)) == 2, board.fen()
            unknown += 1
            continue
        for value in (answer.low, answer.high):
            assert RESULT.get(value, 0) == found, board.fen()
        known += 1
        won += found != 0
    assert known > 2500
    assert won > 1000
    assert unknown > 100


def test_en_passant_and_castling_are_not_answered(code: Any, full: Search) -> None:
    worker = _Worker(full, 4)
    for fen in ("8/8/8/8/1k1Pp3/8/8/4K3 b - d3 0 1", "4k3/8/8/8/8/8/8/4K2R w K - 0 1"):
        assert probe(code, worker, chess.Board(fen)) == code.leaves.UNKNOWN


def test_a_win_that_the_clock_does_not_leave_time_for(code: Any, full: Search) -> None:
    worker = _Worker(full, 4)
    board = chess.Board("8/8/8/8/3k4/8/8/KBN5 w - - 0 1")
    assert probe(code, worker, board) == 1
    board.halfmove_clock = 90
    assert probe(code, worker, board) == code.leaves.UNKNOWN
    # A draw stays one.
    board = chess.Board("8/8/8/8/3k4/8/8/KNN5 w - - 90 1")
    assert probe(code, worker, board) == 0


def test_kept_on_disk(code: Any, full: Search, tmp_path: Path) -> None:
    sets = code.sets
    path = sets._path(tmp_path)
    assert sets.read(path) is None
    gathered = sets.Gathered()
    gathered.add_class("KRvK")
    small = gathered.leaves()
    sets.write(small, path)
    again = sets.read(path)
    assert again.men == 3
    assert np.array_equal(again.heads, small.heads)
    assert np.array_equal(again.pool, small.pool)
    assert np.array_equal(sets.four_men(tmp_path).pool, small.pool)  # read, not made
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    assert sets.read(path) is None
    path.write_bytes(bytes(data[:-3]))
    assert sets.read(path) is None


def test_more_may_be_added(code: Any, tables: SyzygyProber) -> None:
    """Sets of another source beside those that are there; bounds give way to exact ones."""
    first = code.sets.Gathered()
    first.add_class("KRvK")
    both = code.sets.Gathered(first.leaves())
    both.add_class("KQvK")
    worker = _Worker(Search(leaves=both.leaves()), 4)
    for fen in ("8/8/8/8/3k4/8/8/KR6 w - - 0 1", "8/8/8/8/3k4/8/8/KQ6 w - - 0 1"):
        assert probe(code, worker, chess.Board(fen)) == 1
    assert probe(code, worker, chess.Board("8/8/8/8/3k4/8/P7/K7 w - - 0 1")) == 2


@pytest.mark.parametrize("known", [True, False])
def test_bounds(code: Any, known: bool) -> None:
    """What is neither won nor proved not to be is not answered."""
    from tablebases.solver.classes import solve_class

    gathered = code.sets.Gathered()
    solution = solve_class("KRvK")
    for colour in chess.COLORS:
        for _, kept, distances in solution.slices(colour):
            none = np.zeros(distances.white.shape[:2], np.uint64)
            everything = ~none
            most = (none, none) if known else (everything, everything)
            gathered.add(kept, (none, none), most)
    worker = _Worker(Search(leaves=gathered.leaves()), 4)
    board = chess.Board("8/8/8/8/3k4/8/8/KR6 w - - 0 1")
    assert probe(code, worker, board) == (0 if known else code.leaves.UNKNOWN)
