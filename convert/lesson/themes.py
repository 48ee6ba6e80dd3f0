"""How the theme of an exercise is told from the position."""

from __future__ import annotations

import chess

from convert.board.balance import census, worth
from convert.board.features import features
from convert.model.lesson import Task


def lead(board: chess.Board, color: chess.Color) -> int:
    """How much more ``color`` has, in pawns (common practice values)."""
    count = census(board)
    return worth(count, color) - worth(count, not color)


def theme_of(
    board: chess.Board, task: Task, points: int, traded: chess.Board | None, pawns_only: bool
) -> str:
    """The theme of an exercise.

    ``points``: the result for the side to move (1, 0, -1); ``traded``: the position after the
    trade that is asked about, None without one; ``pawns_only``: only pawns go in it.
    """
    mover = board.turn
    facts = features(board)
    if task is Task.RECAPTURE:
        return "recapture"
    if points == 0 and lead(board, mover) < 0:
        return "defence"
    if traded is not None:
        after = features(traded)
        if after.pawn_ending and facts.piece_count:
            return "pawn-ending"
        if pawns_only and facts.piece_count:
            return "pieces-not-pawns"
        if facts.exchange_up is not None:
            return "exchange-up"
        if task is Task.REFUSE and lead(board, mover) > 0 and facts.piece_count:
            return "wrong-trade"
    if facts.pawn_ending:
        return "pawn-ending"
    if facts.exchange_up is not None:
        return "exchange-up"
    if facts.queens_on:
        return "queens"
    if facts.white.rook_count or facts.black.rook_count:
        return "rook-endings"
    if traded is not None:
        return "pieces-not-pawns"
    return "minor-pieces"
