"""A hint that leads on: the plan, then the man that moves, then the move.

The plan is read off best play against the longest resistance: where king or pawn go, what is won
or traded on the way, how it ends; and off the moves that would let the result go, what to avoid.
Where nothing is proved it is read off the look-ahead's line and told as an estimate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import chess
from chess import KING

from convert.judging.judges import Bench, after_move
from convert.judging.laws import line_ends
from convert.judging.lines import best_line
from convert.model import Side, Verdict, move_label
from convert.review.trades import like_for_like
from convert.wording.small import join
from convert.wording.trade_names import PLURAL

#: Plies that are looked along for a plan.
MOST_PLIES = 40
STEPS = 3


@dataclass(frozen=True)
class Hint:
    """The three steps, each a sentence or two; fewer where there is less to tell."""

    steps: tuple[str, ...]


def hint(bench: Bench, board: chess.Board) -> Hint:
    """What to play for, with which man, by which move; the side to move asks.

    Nothing is told in a lost position, where nothing is left to keep.
    """
    verdict = bench.by_moves(board)
    if verdict.exact and verdict.low.points < 0:
        return Hint(())
    moves = _line(bench, board, verdict)
    if not moves:
        return Hint(())
    advice = [_plan(board, moves, verdict), *_avoid(bench, board, verdict)]
    how = "" if verdict.exact else " (by the estimate)"
    move = moves[0]
    man = chess.piece_name(board.piece_type_at(move.from_square) or chess.PAWN)
    label = move_label(board.fullmove_number, Side.of(board.turn), board.san(move))
    return Hint(
        (
            " ".join(advice),
            f"Look at the {man} on {chess.square_name(move.from_square)}{how}.",
            f"{label} does it{how}.",
        )
    )


def _line(bench: Bench, board: chess.Board, verdict: Verdict) -> list[chess.Move]:
    """Best play from the position, on through pawn moves, to what decides it."""
    if not verdict.exact:
        choices = bench.compared(board)
        return list(bench.line_of(board, choices[0][0])) if choices else []
    work = board.copy(stack=False)
    moves: list[chess.Move] = []
    while len(moves) < MOST_PLIES and not line_ends(work):
        line = best_line(bench, work)
        if line is None or not line.moves:
            break
        for san in line.moves:
            moves.append(work.push_san(san))
        if verdict.points == 0 or line.ends != "pawn move":
            break
    if not moves and verdict.via:
        moves = [work.push_san(san) for san in verdict.via]
    return moves


def _plan(board: chess.Board, moves: Sequence[chess.Move], verdict: Verdict) -> str:
    """Where the side to move goes along the line, and what it gets."""
    mine, work = board.turn, board.copy(stack=False)
    king, pawn, parts = work.king(mine), None, []
    start = king
    route: list[str] = []
    for i, move in enumerate(moves):
        own = work.turn == mine
        man = work.piece_type_at(move.from_square)
        if own and man == KING:
            king = move.to_square
            route.append(chess.square_name(king))
        if own and move.promotion:
            parts.append(f"bring the pawn through to {chess.square_name(move.to_square)}")
            break
        if own and man == chess.PAWN:
            pawn = move.to_square
        if own and work.is_capture(move):
            parts.append(_taking(work, move, moves[i + 1 : i + 2]))
            break
        work.push(move)
    goes = []
    if verdict.points == 0 and route:
        goes.append(f"your king does the work, on {join(list(dict.fromkeys(route)))}")
    elif king is not None and king != start:
        goes.append(f"bring your king to {chess.square_name(king)}")
    if pawn is not None and not parts:
        goes.append(f"bring the pawn to {chess.square_name(pawn)}")
    if work.is_checkmate():
        edge = work.king(not mine)
        assert edge is not None
        parts.append(f"drive the king to {chess.square_name(edge)} and mate there")
    steps = [*goes, *parts]
    if not steps:
        return _waits(board, moves, verdict)
    aim = "The plan" if verdict.points == 1 else "To hold" if verdict.points == 0 else "A plan"
    return f"{aim}: {', then '.join(steps)}."


def _waits(board: chess.Board, moves: Sequence[chess.Move], verdict: Verdict) -> str:
    """Where the line shows no march of the king, no pawn and nothing to take."""
    man = chess.piece_name(board.piece_type_at(moves[0].from_square) or chess.PAWN)
    if verdict.points == 0:
        return f"Hold what you have: the {man} does the work, the rest stays where it is."
    return f"Nothing is to be taken yet: the {man} finds a better square first."


def _taking(board: chess.Board, move: chess.Move, back: Sequence[chess.Move]) -> str:
    """What a capture of the line does: wins something, or trades it."""
    square = chess.square_name(move.to_square)
    taken = board.piece_type_at(move.to_square) or chess.PAWN
    retaken = bool(back) and back[0].to_square == move.to_square
    if retaken and like_for_like(board, move):
        return f"trade {PLURAL[taken]} on {square}"
    return f"{'take' if retaken else 'win'} the {chess.piece_name(taken)} on {square}"


def _avoid(bench: Bench, board: chess.Board, verdict: Verdict) -> list[str]:
    """What kinds of moves let the result go: trades, pushes, stalemates."""
    if not verdict.exact or verdict.points is None:
        return []
    bad = [
        move
        for move, after in bench.kept(board).moves
        if after is not None and after.exact and (after.points or 0) < verdict.points
    ]
    trades = {
        board.piece_type_at(m.to_square) or chess.PAWN
        for m in bad
        if board.is_capture(m) and like_for_like(board, m)
    }
    pushes = {
        chess.square_name(m.from_square)
        for m in bad
        if board.piece_type_at(m.from_square) == chess.PAWN and not board.is_capture(m)
    }
    what = [f"trading {PLURAL[piece]}" for piece in sorted(trades)]
    if pushes:
        squares = join(sorted(pushes))
        what.append(f"moving the pawn{'s' if len(pushes) > 1 else ''} on {squares} yet")
    if any(after_move(board, move).is_stalemate() for move in bad):
        what.append("stalemate")
    return [f"Avoid {join(what)}."] if what else []
