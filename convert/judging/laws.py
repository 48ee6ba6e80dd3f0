"""The FIDE Laws of Chess (in force from 1 January 2023): what ends a game, who may claim a draw.

The one place that says so: the judges, the lines, a game played out and the proofreading ask here.
What needs the game so far (repetition) wants a board with its moves on the stack; everything else
looks at the position and its halfmove clock alone.
"""

from __future__ import annotations

import chess

from convert.model import Side
from convert.model.record import End, How
from tablebases.values import AUTOMATIC_DRAW_PLIES, CLAIM_PLIES


def at_an_end(board: chess.Board) -> How | None:
    """What ends the game in this position whatever was played before; None while it goes on.

    Checkmate (5.1.1), stalemate (5.2.1), dead positions as far as the bare material shows them
    (5.2.2).
    """
    if not any(board.generate_legal_moves()):
        return How.MATE if board.is_check() else How.STALEMATE
    return How.DEAD if board.is_insufficient_material() else None


def over_by_clock(board: chess.Board) -> bool:
    """Is the game drawn by the seventy-five-move rule (9.6.2), unless this is mate?"""
    return board.halfmove_clock >= AUTOMATIC_DRAW_PLIES


def ended(board: chess.Board) -> How | None:
    """As :func:`at_an_end`, and by the clock too: 150 plies without capture or pawn move (9.6.2).

    Checkmate comes before the clock (9.6.2).  Repetition is not looked at.
    """
    how = at_an_end(board)
    return How.SEVENTY_FIVE if how is None and over_by_clock(board) else how


def over(board: chess.Board) -> End | None:
    """What ends the game without a claim; None while it goes on.

    As :func:`ended`, and five appearances of the position (9.6.1).  ``board`` needs its moves on
    the stack.
    """
    how = ended(board)
    if how in (None, How.SEVENTY_FIVE) and board.is_fivefold_repetition():
        how = How.FIVEFOLD
    if how is None:
        return None
    return End(how, Side.of(not board.turn) if how is How.MATE else None)


def clock_lets_claim(board: chess.Board) -> bool:
    """Do the last 100 plies, without capture or pawn move, let the side to move claim (9.3.2)?"""
    return board.halfmove_clock >= CLAIM_PLIES


def claim_is_near(board: chess.Board) -> bool:
    """May the clock let the side to move claim, now or with a move that it announces (9.3)?

    Cheap to ask; whether there is such a move, :func:`may_claim` says.
    """
    return board.halfmove_clock >= CLAIM_PLIES - 1


def may_claim(board: chess.Board) -> bool:
    """May the side to move claim a draw by the fifty-move rule, or announce a move that lets it?

    FIDE Laws of Chess, 9.3: after a hundred plies without a capture or pawn move, or with a move
    that makes it so.
    """
    if clock_lets_claim(board):
        return True
    return claim_is_near(board) and any(
        not board.is_zeroing(move) for move in board.generate_legal_moves()
    )


def claim(board: chess.Board, move: chess.Move | None = None) -> How | None:
    """The draw that the side to move may claim; None where it may not.

    Without a move: the position on the board has appeared for at least the third time (9.2.2), or
    the last 100 plies saw no capture and no pawn move (9.3.2).  With one: it is so after that move,
    which is announced and not played (9.2.1, 9.3.1).  ``board`` needs its moves on the stack.
    """
    if move is None:
        return _stands(board)
    board.push(move)
    how = None if board.is_checkmate() else _stands(board)
    board.pop()
    return how


def _stands(board: chess.Board) -> How | None:
    if board.is_repetition(3):
        return How.THREEFOLD
    return How.FIFTY if clock_lets_claim(board) else None


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


#: What a line that ends by the Laws ends in, in words.
_ENDS = {How.MATE: "mate", How.STALEMATE: "stalemate", How.DEAD: "no mating material"}


def line_ends(board: chess.Board) -> str:
    """What a line ends in that leads to ``board``; empty while play goes on."""
    how = at_an_end(board)
    return "" if how is None else _ENDS[how]
