"""What became of the outcome with a move of the player's, and of the way to the goal."""

from __future__ import annotations

from dataclasses import replace

import chess

from convert.judging.judges import Bench, after_move
from convert.judging.keeping import plies_to_goal
from convert.model import Side, Verdict
from convert.model.record import Made
from convert.review.slips import slip_of


def made(bench: Bench, board: chess.Board, move: chess.Move, ply: int, *, by_player: bool) -> Made:
    """The move as a record, judged; ``ply`` counts from 1 for the first move of the game.

    ``board`` is the position before the move and is not changed.
    """
    side = Side.of(board.turn)
    child = after_move(board, move)
    before, after = bench.by_moves(board), bench.by_moves(child).for_side(side)
    plain = Made(
        ply=ply,
        number=board.fullmove_number,
        side=side,
        san=board.san(move),
        uci=move.uci(),
        fen=board.fen(),
        before=before,
        after=after,
        by_player=by_player,
        zeroing=board.is_zeroing(move),
    )
    if not by_player:
        return plain
    extra, rounded = detour(bench, board, move, before, after)
    return replace(
        plain,
        slip=slip_of(bench, board, move, ply, before, after),
        only=is_only(bench, board, move, before, after),
        extra=extra,
        quicker=_quicker(bench, board) if extra else "",
        rounded=rounded,
        to_mate=mate_is_next(board, side),
    )


def detour(
    bench: Bench, board: chess.Board, move: chess.Move, before: Verdict, after: Verdict
) -> tuple[int | None, bool]:
    """Plies by which a winning move leaves the goal further off than it had to be.

    The goal is the next capture, pawn move or mate.  Nothing is lost by a move that is one of them
    and keeps the win.  A difference of one ply is not counted where a table rounds.  Against a bare
    king with no pawn on the board only mate is a goal: where the distance may instead be one to the
    loss of a piece (queen and rook against king, say), it measures nothing.

    Returns:
        The plies, or None where the win was not certain before and after, or there is no distance
        to measure by; and whether a table rounds.
    """
    if before.points != 1 or after.points != 1:
        return None, False
    child = after_move(board, move)
    side = Side.of(board.turn)
    bare = not board.pawns and not board.occupied_co[side.other.color] & ~board.kings
    if bare and not mate_is_next(board, side) and not child.is_checkmate():
        return None, False
    if board.is_zeroing(move) or child.is_checkmate():
        return 0, False
    now, then = bench.distance(board), bench.distance(child)
    if now is None or then is None:
        return None, False
    rounded = now.rounded or then.rounded
    lost = abs(then.plies) - (abs(now.plies) - 1)
    return (lost if lost > int(rounded) else 0), rounded


def _quicker(bench: Bench, board: chess.Board) -> str:
    """The move that wins the shortest way (SAN)."""
    ways = [
        (plies_to_goal(board, m, v, bench.way), i, m)
        for i, (m, v) in enumerate(bench.kept(board).moves)
        if v is not None and v.points == 1
    ]
    return board.san(min(ways, key=lambda way: way[:2])[2]) if ways else ""


def mate_is_next(board: chess.Board, winner: Side) -> bool:
    """Can only mate come next in a win: no pawn, nothing to take, no man to lose and still win?"""
    if board.pawns or board.occupied_co[not winner.color] & ~board.kings:
        return False
    men = board.occupied_co[winner.color] & ~board.kings
    count = men.bit_count()
    return count == 1 or (count == 2 and not men & ~(board.bishops | board.knights))


def is_only(
    bench: Bench, board: chess.Board, move: chess.Move, before: Verdict, after: Verdict
) -> bool:
    """Was it the one move that kept a certain win or draw, of at least two legal ones?"""
    if not before.exact or before.low.points < 0 or board.legal_moves.count() < 2:
        return False
    if after.low.points < before.low.points or not bench.reaches(board):
        return False
    return bench.only(board, before.low.points, move) == move
