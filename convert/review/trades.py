"""Finds trades, offers, recaptures and liquidations in a walked game.

A *trade* is a run of captures on consecutive plies in which both sides lose
material (an answer to a check may stand between).  It is *offered* by the side
whose move first brought the two pieces of the first capture into contact, and
*begun* by the side that captured first.  Nothing here judges a trade.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import chess
from chess import KING

from convert.board.balance import WORTH, pieces
from convert.review.walker import Walk

#: Two pieces may be traded for one another when their worth differs by no more
#: than this (pawns): piece for piece, rook for minor piece.
NEAR = 2


@dataclass(frozen=True)
class FoundTrade:
    """A trade in a walked game, plies inclusive.

    ``white_gave``/``black_gave``: piece types lost, in the order lost.
    ``taken``: (ply, colour of the man lost, its type, its square); a pawn taken
    right after promoting counts as the pawn it was.
    ``stood``: where each man of ``taken`` stood before the trade, followed back through the
    captures; None where the man was not on the board then.
    ``recaptures``: plies that took back on the square of the capture before.
    ``liquidation``: several pairs in a row, or the last pieces into a pawn ending.
    """

    first: int
    last: int
    white_gave: tuple[chess.PieceType, ...]
    black_gave: tuple[chess.PieceType, ...]
    taken: tuple[tuple[int, chess.Color, chess.PieceType, chess.Square], ...]
    stood: tuple[chess.Square | None, ...]
    recaptures: tuple[int, ...]
    offered_by: chess.Color | None
    offered_ply: int | None
    began_by: chess.Color
    liquidation: bool

    @property
    def only_pawns(self) -> bool:
        """Nothing but pawns left the board."""
        return set(self.white_gave) | set(self.black_gave) == {chess.PAWN}


def find_trades(walked: Walk) -> tuple[FoundTrade, ...]:
    """All trades of the game, in order."""
    found_trades = []
    for first, last in walked.runs:
        if first == last:
            continue
        steps = walked.steps[first - 1 : last]
        taken = tuple(
            (s.ply, not s.color, _given(walked, s.ply, s.captured), s.square)
            for s in steps
            if s.captured is not None
        )
        white = tuple(kind for _, color, kind, _ in taken if color)
        black = tuple(kind for _, color, kind, _ in taken if not color)
        if not white or not black:
            continue
        offered_by, offered_ply = contact(walked, first)
        recaptures = tuple(
            b.ply
            for a, b in pairwise(steps)
            if a.captured is not None and b.captured is not None and b.square == a.move.to_square
        )
        before, after = walked.counts[first - 1], walked.counts[last]
        had = pieces(before, chess.WHITE) + pieces(before, chess.BLACK)
        left = pieces(after, chess.WHITE) + pieces(after, chess.BLACK)
        heavy = sum(kind != chess.PAWN for kind in white + black)
        found_trades.append(
            FoundTrade(
                first=first,
                last=last,
                white_gave=white,
                black_gave=black,
                taken=taken,
                stood=tuple(_stood(walked, first, last, man) for man in taken),
                recaptures=recaptures,
                offered_by=offered_by,
                offered_ply=offered_ply,
                began_by=walked.steps[first - 1].color,
                liquidation=heavy >= 4 or (had > 0 and left == 0),
            )
        )
    return tuple(found_trades)


def _given(walked: Walk, ply: int, captured: chess.PieceType) -> chess.PieceType:
    """What was given up by the man taken at ``ply``: a pawn that had just promoted is a pawn."""
    if ply < 2:
        return captured
    last = walked.steps[ply - 2].move
    just = last.promotion is not None and last.to_square == walked.steps[ply - 1].move.to_square
    return chess.PAWN if just else captured


def _stood(
    walked: Walk,
    first: int,
    last: int,
    man: tuple[int, chess.Color, chess.PieceType, chess.Square],
) -> chess.Square | None:
    """Where a man that was taken in plies ``first`` to ``last`` stood before; as in ``taken``."""
    _, color, kind, square = man
    if walked.boards[first - 1].piece_at(square) == chess.Piece(kind, color):
        return square
    for step in reversed(walked.steps[first - 1 : last]):
        if step.color == color and step.move.to_square == square:
            return step.move.from_square
    return None


def contact(walked: Walk, first: int) -> tuple[chess.Color | None, int | None]:
    """Who brought the capturing and the captured man of ply ``first`` into contact, and when.

    That is the last move after which both men stood where they stood and the
    one attacked the other.  (None, None) when that was so from the start.
    """
    made = walked.steps[first - 1].contact
    return (walked.steps[made - 1].color, made) if made else (None, None)


def starts_trade(board: chess.Board, move: chess.Move) -> bool:
    """True if ``move`` captures a man of about equal worth that can be taken back.

    "About equal" is :data:`NEAR` pawns; the side to move must not simply win or
    lose material by it at first sight.  Pawn takes pawn counts as well.
    """
    if not board.is_capture(move):
        return False
    victim = board.piece_type_at(move.to_square) or chess.PAWN
    attacker = board.piece_type_at(move.from_square) or chess.PAWN
    if attacker == KING or abs(WORTH[victim] - WORTH[attacker]) > NEAR:
        return False
    if (victim == chess.PAWN) != (attacker == chess.PAWN):
        return False
    board.push(move)
    try:
        back = any(
            reply.to_square == move.to_square
            for reply in board.generate_legal_moves(to_mask=chess.BB_SQUARES[move.to_square])
        )
    finally:
        board.pop()
    return back


def trades_on_board(board: chess.Board) -> Iterator[chess.Move]:
    """Captures by the side to move that start a trade of pieces (pawn for pawn left out)."""
    for move in board.generate_legal_captures():
        if board.piece_type_at(move.from_square) != chess.PAWN and starts_trade(board, move):
            yield move


def like_for_like(board: chess.Board, move: chess.Move) -> bool:
    """True if the capturing and the captured man are of equal worth."""
    victim = board.piece_type_at(move.to_square) or chess.PAWN
    attacker = board.piece_type_at(move.from_square) or chess.PAWN
    return WORTH.get(victim) == WORTH.get(attacker)


def made_contact(board_before: chess.Board, board_after: chess.Board, capture: chess.Move) -> bool:
    """True if ``capture``, possible in ``board_after``, was not there one ply before.

    ``board_before`` is the position before the move that may have offered it.
    """
    source, target = capture.from_square, capture.to_square
    return (
        board_before.piece_at(source) != board_after.piece_at(source)
        or board_before.piece_at(target) != board_after.piece_at(target)
        or not board_before.attacks_mask(source) & chess.BB_SQUARES[target]
    )
