"""What became of the outcome with a move of the player's, and of the way to the goal."""

from __future__ import annotations

from dataclasses import replace

import chess

from convert.decisions import position_speaking, slipped
from convert.judge import Bench, after_move
from convert.lines import line_after, refutation
from convert.model import Alternative, Side, Slip, Verdict
from convert.playing.record import Made
from convert.slips import MOST_HELD, fall_of, suspicion
from convert.trades import starts_trade


def made(
    bench: Bench, board: chess.Board, move: chess.Move, ply: int, *, by_player: bool
) -> Made:
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


def mate_is_next(board: chess.Board, winner: Side) -> bool:
    """Can only mate come next in a win: no pawn, nothing to take, no man to lose and still win?"""
    if board.pawns or board.occupied_co[not winner.color] & ~board.kings:
        return False
    men = board.occupied_co[winner.color] & ~board.kings
    count = men.bit_count()
    return count == 1 or (count == 2 and not men & ~(board.bishops | board.knights))


def keeping(
    bench: Bench, board: chess.Board, before: Verdict
) -> tuple[list[tuple[chess.Move, Verdict]], bool]:
    """The moves that surely keep what is sure, the shortest way first; and: are all others worse?

    ``before`` is the verdict for the side to move.  Nothing is kept in a lost position.
    """
    held, complete = _held(bench, board, before)
    winning = before.low.points > 0

    def order(item: tuple[chess.Move, Verdict]) -> tuple[int, ...]:
        move = item[0]
        child = after_move(board, move)
        if child.is_checkmate():
            length = 0
        elif winning and not board.is_zeroing(move):
            way = bench.way(child)
            length = 100 if way is None else 1 + way
        else:
            length = 1
        under = int(move.promotion not in (None, chess.QUEEN))
        return (length, under, move.from_square, move.to_square)

    return sorted(held, key=order), complete


def _held(
    bench: Bench, board: chess.Board, before: Verdict
) -> tuple[list[tuple[chess.Move, Verdict]], bool]:
    """As :func:`keeping`, in no order."""
    need = before.low.points
    if need < 0:
        return [], False
    held, complete = [], True
    for move, told in bench.children(board):
        if told is not None and told.low.points >= need:
            held.append((move, told))
        elif told is None or told.high.points >= need:
            complete = False
    return held, complete


def is_only(
    bench: Bench, board: chess.Board, move: chess.Move, before: Verdict, after: Verdict
) -> bool:
    """Was it the one move that kept a certain win or draw, of at least two legal ones?"""
    if not before.exact or before.low.points < 0 or board.legal_moves.count() < 2:
        return False
    if after.low.points < before.low.points or not bench.reaches(board):
        return False
    held, complete = _held(bench, board, before)
    return complete and [m for m, _ in held] == [move]


def slip_of(
    bench: Bench,
    board: chess.Board,
    move: chess.Move,
    ply: int,
    before: Verdict,
    after: Verdict,
) -> Slip | None:
    """A certain slip, or one suspected by the estimate; None where nothing was let go."""
    if slipped(before, after):
        return _certain(bench, board, move, ply, before, after)
    if before.exact and after.exact:
        return None
    if fall_of(before, after) < suspicion().threshold:
        return None
    return _suspected(bench, board, move, ply, before, after)


def _certain(
    bench: Bench,
    board: chess.Board,
    move: chess.Move,
    ply: int,
    before: Verdict,
    after: Verdict,
) -> Slip:
    held, complete = keeping(bench, board, before)
    told = tuple(
        Alternative(
            board.san(m), m.uci(), v, starts_trade(board, m),
            line_after(bench, board, m) if i == 0 else None,
        )
        for i, (m, v) in enumerate(held[:MOST_HELD])
    )  # fmt: skip
    return Slip(
        ply=ply,
        side=before.side,
        san=board.san(move),
        fen=board.fen(),
        certain=True,
        before=before,
        after=after,
        held=told,
        complete=complete and len(held) <= MOST_HELD,
        shown=told[0].line if told else None,
        refuted=refutation(bench, after_move(board, move), after),
        rules=position_speaking(bench, board)[:3],
    )


def _suspected(
    bench: Bench,
    board: chess.Board,
    move: chess.Move,
    ply: int,
    before: Verdict,
    after: Verdict,
) -> Slip | None:
    others = [m for m in board.legal_moves if m != move]
    if not others:
        return None

    def told(m: chess.Move) -> Verdict:
        return bench.verdict(after_move(board, m)).for_side(before.side)

    sure = [m for m, _ in keeping(bench, board, before)[0]] if before.exact else []
    best = sure[0] if sure else max(others, key=lambda m: (told(m).expected, m.uci()))
    if told(best).expected - after.expected < suspicion().better:
        return None
    better = Alternative(board.san(best), best.uci(), told(best), starts_trade(board, best))
    return Slip(
        ply=ply,
        side=before.side,
        san=board.san(move),
        fen=board.fen(),
        certain=False,
        before=before,
        after=after,
        held=(better,),
        complete=False,
        shown=None,
        refuted=None,
    )
