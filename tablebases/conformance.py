"""What every ``Prober`` must do, as a check that anyone can run on theirs.

``check_prober`` compares a prober with itself and with the rules of chess: it needs no known
answers. It raises ``AssertionError`` with the position at fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import chess

from tablebases.errors import CastlingRights, IllegalPosition, TablebaseError
from tablebases.probing import Prober
from tablebases.values import Answer, Outcome

__all__ = ["SAMPLE_FENS", "check_prober"]

SAMPLE_FENS: Final = (
    "8/8/5k2/8/5K2/8/4P3/8 w - - 0 1",
    "4k3/8/8/8/8/8/4P3/4K3 b - - 0 1",
    "8/8/8/3Kp3/4Pk2/8/8/8 w - - 0 1",
    "8/8/8/8/2pP4/2K5/4k3/8 b - d3 0 1",
    "1k6/1r6/2K5/Q7/8/8/8/8 b - - 0 1",
    "7k/8/7K/7R/8/3b4/8/8 w - - 0 1",
    "7k/5Q2/6K1/8/8/8/8/8 b - - 0 1",
    "7k/6Q1/6K1/8/8/8/8/8 b - - 0 1",
    "8/8/8/8/8/2k5/1R6/K7 w - - 0 1",
    "8/8/8/4k3/8/8/8/4K3 w - - 0 1",
)
"""Positions used when none are given: wins, draws and losses, mate, stalemate, en passant."""

_NEVER_COVERED: Final = (
    ("8/8/8/4k3/8/8/8/R3K3 w Q - 0 1", CastlingRights),
    ("8/8/8/8/8/8/3Q4/K2k4 w - - 0 1", IllegalPosition),
)
_CLOCKS: Final = (0, 1, 40, 80, 95, 98, 99, 100, 101, 149, 150, 200)


def check_prober(prober: Prober, boards: Iterable[chess.Board] | None = None) -> int:
    """Check that a prober keeps the promises of the protocol.

    For every position that it covers: the board is left as it was; the answer with the halfmove
    clock at 0 is exact and equals ``wdl_after_zeroing``; sign and size of the distance fit the
    outcome; swapping the colours changes nothing, nor does mirroring the files; raising the
    clock never helps the side that wins; the outcome is that of the best move, where the prober
    covers all of them. Positions with castling rights and illegal ones must be refused.

    Args:
        prober: the prober to check.
        boards: positions to check it on (``SAMPLE_FENS`` if None); those that it does not cover
            must give None from ``outcome_or_none``. Their halfmove clocks are not used.

    Returns:
        The number of positions that the prober covered.

    Raises:
        AssertionError: with the first promise broken and the position at fault.
    """
    _require(isinstance(prober, Prober), "does not have the methods of the protocol")
    _require(bool(prober.name), "has no name")
    _check_refusals(prober)
    if boards is None:
        boards = [chess.Board(fen) for fen in SAMPLE_FENS]
    covered = 0
    for given in boards:
        board = given.copy(stack=False)
        board.halfmove_clock = 0
        if prober.covers(board):
            covered += 1
            _check_position(prober, board)
        else:
            _require(prober.outcome_or_none(board) is None, "answers what it does not cover", board)
    return covered


def _require(fact: bool, complaint: str, board: chess.Board | None = None) -> None:
    if not fact:
        where = f": {board.fen()}" if board is not None else ""
        raise AssertionError(f"{complaint}{where}")


def _check_refusals(prober: Prober) -> None:
    for fen, expected in _NEVER_COVERED:
        board = chess.Board(fen)
        _require(not prober.covers(board), "covers what no prober may", board)
        _require(prober.outcome_or_none(board) is None, "answers what no prober may", board)
        try:
            prober.wdl_after_zeroing(board)
        except expected:
            continue
        except TablebaseError as error:
            raise AssertionError(f"{type(error).__name__} for {fen}") from error
        raise AssertionError(f"does not raise {expected.__name__} for {fen}")


def _check_position(prober: Prober, board: chess.Board) -> None:
    before = board.fen()
    wdl = prober.wdl_after_zeroing(board)
    distance = prober.distance(board)
    at_zero = prober.outcome(board)
    _require(board.fen() == before, "changes the board", board)
    _require(at_zero.exact and at_zero.low is wdl, "outcome differs from wdl at clock 0", board)
    _require(
        (wdl > 0, wdl < 0) == (distance.plies > 0, distance.plies < 0),
        "distance contradicts the outcome",
        board,
    )
    for twin in (board.mirror(), board.transform(chess.flip_horizontal)):
        _require(prober.wdl_after_zeroing(twin) is wdl, "a mirror image differs", board)
        _require(prober.distance(twin) == distance, "distance of a mirror image differs", board)
    _check_clocks(prober, board, wdl)
    _check_best_move(prober, board, wdl)


def _check_clocks(prober: Prober, board: chess.Board, wdl: Outcome) -> None:
    """Raising the clock must never make an outcome more decisive, and never turn it over."""
    sign = (wdl > 0) - (wdl < 0)
    mated = board.is_checkmate()
    last: tuple[int, int] | None = None
    for answer in _answers(prober, board):
        # For the side that wins, from 0 (a draw) to 2 (a win).
        won = tuple(sorted((answer.low * sign, answer.high * sign)))
        _require(wdl != 0 or answer.low == answer.high == Outcome.DRAW, "a draw changes", board)
        _require(wdl == 0 or won[0] >= 1, "the clock turns the outcome over", board)
        _require(not mated or answer.low == answer.high == Outcome.LOSS, "mate is no loss", board)
        if last is not None:
            _require(
                won[0] <= last[0] and won[1] <= last[1], "a higher clock helps the winner", board
            )
        last = won[0], won[1]


def _answers(prober: Prober, board: chess.Board) -> Iterator[Answer]:
    work = board.copy(stack=False)
    for clock in _CLOCKS:
        work.halfmove_clock = clock
        yield prober.outcome(work)


def _check_best_move(prober: Prober, board: chess.Board, wdl: Outcome) -> None:
    """With the fifty-move rule left aside a position is worth its best move."""
    results = []
    work = board.copy(stack=False)
    for move in list(board.legal_moves):
        work.push(move)
        covered = prober.covers(work)
        result = prober.wdl_after_zeroing(work).opposite if covered else None
        work.pop()
        if result is None:
            return
        results.append(result)
    if not results:
        expected = Outcome.LOSS if board.is_check() else Outcome.DRAW
        _require(wdl is expected, "wrong about the end of the game", board)
        return
    # The clock is taken to be 0 again after a quiet move, so a cursed win may look like a win.
    best = max(results)
    _require(
        (best > 0, best < 0) == (wdl > 0, wdl < 0),
        "the outcome is not that of the best move",
        board,
    )
