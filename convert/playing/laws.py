"""When a game is over by the FIDE Laws of Chess (1 January 2023), and who may claim a draw."""

from __future__ import annotations

import chess

from convert.model import Side
from convert.playing.record import End, How
from tablebases.values import AUTOMATIC_DRAW_PLIES, CLAIM_PLIES


def over(board: chess.Board) -> End | None:
    """What ends the game without a claim; None while it goes on.

    Checkmate (5.1.1) comes before all else; then stalemate (5.2.1), dead positions as far as the
    bare material shows them (5.2.2), five appearances of the position (9.6.1), and 150 plies
    without capture or pawn move (9.6.2).  ``board`` needs its moves on the stack.
    """
    if board.is_checkmate():
        return End(How.MATE, Side.of(not board.turn))
    if not any(board.generate_legal_moves()):
        return End(How.STALEMATE, None)
    if board.is_insufficient_material():
        return End(How.DEAD, None)
    if board.is_fivefold_repetition():
        return End(How.FIVEFOLD, None)
    if board.halfmove_clock >= AUTOMATIC_DRAW_PLIES:
        return End(How.SEVENTY_FIVE, None)
    return None


def claim(board: chess.Board, move: chess.Move | None = None) -> How | None:
    """The draw that the side to move may claim; None where it may not.

    Without a move: the position on the board has appeared for at least the third time (9.2.2), or
    the last 100 plies saw no capture and no pawn move (9.3.2).  With one: it is so after that move,
    which is announced and not played (9.2.1, 9.3.1).
    """
    if move is None:
        return _stands(board)
    board.push(move)
    found = None if board.is_checkmate() else _stands(board)
    board.pop()
    return found


def _stands(board: chess.Board) -> How | None:
    if board.is_repetition(3):
        return How.THREEFOLD
    return How.FIFTY if board.halfmove_clock >= CLAIM_PLIES else None


def announced_claims(board: chess.Board) -> list[tuple[chess.Move, How]]:
    """The moves that, announced, let the side to move claim a draw, by their squares."""
    moves = sorted(board.legal_moves, key=lambda m: (m.from_square, m.to_square))
    return [(move, how) for move in moves if (how := claim(board, move)) is not None]


def appearances(board: chess.Board) -> int:
    """How often the position on the board has appeared, at most five, itself included (9.2.3)."""
    times = 1
    while times < 5 and board.is_repetition(times + 1):
        times += 1
    return times
