"""Lines for a pupil: a move, the natural replies, and play until the point is clear.

As in :mod:`convert.lines` every move keeps what tables or solver say can be kept, the winner
goes the shortest way to the next capture, pawn move or mate, and the loser the longest; but a
loser takes back first, and the line runs on through captures and pawn moves.  Choices do not
depend on the colours.
"""

from __future__ import annotations

import chess

from convert.activity import static_exchange
from convert.judge import Bench, after_move
from convert.lesson.plausible import best_capture, elementary, relative, taken_value
from convert.model import Line

#: Longest line, in plies.
MOST_PLIES = 20
#: Plies shown of a draw that is held, after the last capture.
HELD_PLIES = 6
#: Stands for the length of a way that is not known, longer than any that is: a win that is
#: proved without its way gets no line rather than aimless moves.
NO_WAY = 1000


def show(bench: Bench, board: chess.Board, move: chess.Move, most: int = MOST_PLIES) -> Line:
    """``move`` and best play after it, from ``board``."""
    work = board.copy(stack=False)
    moves = [work.san(move)]
    last = move
    took = board.is_capture(move)
    work = after_move(work, move)
    ends = _over(work)
    quiet = 0
    longest = NO_WAY
    while not ends and len(moves) < most:
        settled = bench.settle(work)
        if settled is None or not settled.exact:
            ends = "open"
            break
        points = settled.points or 0
        if points < 0 and last.promotion and not _can_take(work, last.to_square):
            ends = "promotion"
            break
        if points and elementary(work):
            ends = "elementary"
            break
        reply = _reply(bench, work, points, last if took else None)
        if reply is not None and points > 0:
            # Ways known exactly and ways only proved do not mix: each step must come nearer.
            length = _decided_order(bench, work, reply, points)[0]
            reply, longest = (reply, length) if length < longest else (None, longest)
        if reply is None:
            ends = "open"
            if settled.via:
                moves += settled.via
                ends = "into the tables"
            break
        took = work.is_capture(reply)
        longest = NO_WAY if work.is_zeroing(reply) else longest
        quiet = 0 if took else quiet + 1
        moves.append(work.san(reply))
        last = reply
        work = after_move(work, reply)
        ends = _over(work)
        if not ends and not points and quiet >= HELD_PLIES:
            ends = "held"
    return Line(board.fen(), tuple(moves), ends or "so on")


def _over(board: chess.Board) -> str:
    if board.is_checkmate():
        return "mate"
    if board.is_stalemate():
        return "stalemate"
    return "no mating material" if board.is_insufficient_material() else ""


def _can_take(board: chess.Board, square: chess.Square) -> bool:
    return any(board.generate_legal_captures(to_mask=chess.BB_SQUARES[square]))


def _reply(
    bench: Bench, board: chess.Board, points: int, took: chess.Move | None
) -> chess.Move | None:
    """The move of the side to move, which stands to get ``points``; None if nothing is known."""
    keeping = [
        move
        for move, verdict in bench.children(board)
        if verdict is not None and verdict.points == points
    ]
    if not keeping:
        return None
    if took is not None and points <= 0:
        # Taking back comes first, if it is not the losing move of a drawn position.
        back = [m for m in keeping if m.to_square == took.to_square and board.is_capture(m)]
        if back:
            keeping = back
    if points == 0:
        rough = {move: _drawing_order(board, move) for move in keeping}
        least = min(rough.values())
        level = [move for move in keeping if rough[move] == least]
        level = sorted(level, key=lambda m: relative(board, m))[:_MOST_TESTED]
        return min(level, key=lambda m: (_good_answers(bench, board, m), relative(board, m)))
    return min(keeping, key=lambda m: _decided_order(bench, board, m, points))


def _decided_order(
    bench: Bench, board: chess.Board, move: chess.Move, points: int
) -> tuple[int, ...]:
    child = after_move(board, move)
    if child.is_checkmate():
        length = 0
    elif board.is_zeroing(move):
        length = 1
    else:
        way = bench.way(child)
        length = NO_WAY if way is None else 1 + way
    under = int(move.promotion not in (None, chess.QUEEN))
    gain = static_exchange(board, move)
    if points > 0:
        kind = 0 if length == 0 else 1 if move.promotion else 2 if gain > 0 else 3
        return (length, under, kind, -gain, *relative(board, move))
    # The loser takes what he can get, gives nothing away at once, and then holds out longest.
    loses = best_capture(child) - taken_value(board, move)
    return (-max(gain, 0), max(loses, 0), under, -length, *relative(board, move))


def _drawing_order(board: chess.Board, move: chess.Move) -> tuple[int, ...]:
    """First what takes something, then what loses nothing; a trade is no hurry."""
    child = after_move(board, move)
    gain = static_exchange(board, move)
    loses = best_capture(child) - taken_value(board, move)
    return (-max(gain, 0), max(loses, 0))


#: More moves than this are not tried for the hardest test of a draw; the first ones are.
_MOST_TESTED = 10


def _good_answers(bench: Bench, board: chess.Board, move: chess.Move) -> int:
    """How many answers still hold the draw: the fewer, the harder the test."""
    replies = bench.children(after_move(board, move))
    return sum(v is not None and v.points == 0 for _, v in replies) if len(replies) > 1 else 99
