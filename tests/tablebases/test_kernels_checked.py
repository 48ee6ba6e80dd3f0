"""Small slices through every kernel, for the runs in which nothing can go wrong unseen.

Compiled code reads past the end of an array without a word. So ``.ci/run`` runs this file twice
more: with ``NUMBA_BOUNDSCHECK=1``, where an index out of bounds is an error, and with
``NUMBA_DISABLE_JIT=1``, where Python and numpy do the work themselves. What is found is held
against the built-in tables.
"""

from __future__ import annotations

import os
import random

import chess
import numpy as np
import pytest

from tablebases import Outcome
from tablebases.probing import SyzygyProber
from tablebases.solver import Budget, kernels
from tablebases.solver.classes import solve_class
from tablebases.solver.scopes import SolveStep, exactly
from tablebases.solver.solution import Solution
from tablebases.solver.structures import LOWER, UPPER, Scope
from tablebases.solver.trying import Solver

UNCOMPILED = os.environ.get("NUMBA_DISABLE_JIT") == "1"
CHECKED = os.environ.get("NUMBA_BOUNDSCHECK") == "1"
compiled_only = pytest.mark.skipif(UNCOMPILED, reason="takes minutes uncompiled")
pytestmark = pytest.mark.filterwarnings("ignore:overflow encountered:RuntimeWarning")

ROOK = "8/8/8/4k3/8/4K3/8/4R3 w - - 0 1"
PROMOTION = "k7/4P3/4K3/8/8/8/8/8 w - - 0 1"
TWO_PROMOTE = "8/4P3/8/k7/8/8/3p2K1/8 w - - 0 1"
EN_PASSANT = "8/8/8/8/1k2p3/8/3P4/3K4 w - - 0 1"
KNIGHTS = "8/8/8/8/4k3/7p/8/KNN5 w - - 0 1"


def solved(fen: str, scope: Scope, *colours: chess.Color) -> Solution:
    """The position solved with one scope, by one thread, for the wins of these colours."""
    solver = Solver([chess.Board(fen)], Budget(threads=1))
    for colour in colours:
        step = SolveStep(colour, scope)
        plan = solver._prepare(step, solver.boards)
        assert plan is not None
        solver._execute(step, plan)
    assert solver.steps, f"{fen}: too many sets that differ without the fifty-move rule"
    return solver.solution()


def placed(fen: str, number: int) -> list[chess.Board]:
    """Legal positions with the pawns where they are and all other men anywhere."""
    rng, first, found = random.Random(fen), chess.Board(fen), []
    men = [piece for piece in first.piece_map().values() if piece.piece_type != chess.PAWN]
    pawns = list(chess.scan_forward(first.pawns))
    while len(found) < number:
        board = first.copy(stack=False)
        for square in chess.scan_forward(board.occupied & ~board.pawns):
            board.remove_piece_at(square)
        free = [square for square in chess.SQUARES if square not in pawns]
        for square, piece in zip(rng.sample(free, len(men)), men, strict=True):
            board.set_piece_at(square, piece)
        board.turn = rng.random() < 0.5
        if board.is_valid():
            found.append(board)
    return found


@pytest.mark.parametrize(
    "fen",
    [
        ROOK,
        PROMOTION,
        pytest.param("8/8/8/4k3/8/2N1K3/8/4r3 w - - 0 1", marks=compiled_only),
        pytest.param(EN_PASSANT, marks=compiled_only),
    ],
    ids=["rook", "promotion", "rook and knight", "en passant"],
)
def test_exactly(fen: str, tables: SyzygyProber) -> None:
    """Outcomes of the tables, and their distances but for the rounding."""
    solution = solved(fen, exactly(), *chess.COLORS)
    for board in placed(fen, 40 if UNCOMPILED else 400):
        if board.is_game_over():
            continue
        told = tables.outcome(board)
        assert solution.interval(board) == (told.low, told.low), board.fen()
        found, known = solution.distance(board), tables.distance(board)
        assert found is not None, board.fen()
        # The tables count a ply less where they round (python-chess, probe_dtz).
        assert abs(found.plies) - abs(known.plies) in ((0, 1) if known.rounded else (0,))


@pytest.mark.parametrize(
    "fen",
    [
        TWO_PROMOTE,
        pytest.param(EN_PASSANT, marks=compiled_only),
    ],
    ids=["promotions", "en passant"],
)
@pytest.mark.parametrize("mode", [LOWER, UPPER], ids=["lower", "upper"])
def test_bounds(fen: str, mode: int, tables: SyzygyProber) -> None:
    """With promotions left out, on one side each, the truth lies within the bounds."""
    solution = solved(fen, Scope(mode, (1,), 8, 8, budget=1), chess.WHITE)
    seen = set()
    for board in placed(fen, 100 if UNCOMPILED else 1000):
        if board.is_game_over():
            continue
        told = tables.outcome(board).low if board.turn else tables.outcome(board).low.opposite
        low, high, _ = solution._wins(board, chess.WHITE)
        assert low <= max(0, told), board.fen()
        assert high >= max(0, told), board.fen()
        seen.add((low, high))
    assert len(seen) == 2  # something is proved, and something left open


@compiled_only
def test_classes() -> None:
    """The kernels of whole classes; the numbers are those of tests/data/solver/totals.json."""
    found = solve_class("KPvK")
    white, black = found.counts(chess.WHITE), found.counts(chess.BLACK)
    assert (white[Outcome.WIN], white[Outcome.DRAW]) == (124960, 38368)
    assert (black[Outcome.DRAW], black[Outcome.LOSS]) == (70420, 97604)


@compiled_only
@pytest.mark.slow
def test_wins_that_take_too_long() -> None:
    """Two knights against a pawn, some of whose wins are too slow (A. A. Troitzky)."""
    solution = solved(KNIGHTS, exactly(), chess.WHITE)
    told = {solution._wins(board, chess.WHITE)[0] for board in placed(KNIGHTS, 4000)}
    assert told == {0, 1, 2}


def test_an_index_out_of_bounds_is_seen() -> None:
    """That the checks are on where they should be."""
    if not (UNCOMPILED or CHECKED):
        pytest.skip("compiled code does not look")
    rows = np.zeros((1, 64), np.int32)
    offsets = np.zeros((1, 1), np.int64)
    with pytest.raises(IndexError):
        kernels.children_are_late(rows, 0, 5, offsets)
