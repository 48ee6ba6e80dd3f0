"""Lines for a pupil: a move, the natural replies, and play until the point is clear.

As in :mod:`convert.judging.lines` every move keeps what tables or solver say can be kept,
first in the order of :mod:`convert.judging.keeping`; but a loser takes back first, and the line
runs on through captures and pawn moves.
Choices do not depend on the colours.
"""

from __future__ import annotations

import chess

from convert.board.activity import best_capture, static_exchange, taken_value
from convert.judging.judges import Bench, after_move
from convert.judging.keeping import NO_WAY, plies_to_goal
from convert.judging.laws import line_ends
from convert.lesson.plausible import elementary
from convert.model import Line

#: Longest line, in plies.
MOST_PLIES = 20
#: Plies shown of a draw that is held, after the last capture.
HELD_PLIES = 6


def show(bench: Bench, board: chess.Board, move: chess.Move, most: int = MOST_PLIES) -> Line:
    """``move`` and best play after it, from ``board``."""
    work = board.copy(stack=False)
    moves = [work.san(move)]
    last = move
    took = board.is_capture(move)
    work = after_move(work, move)
    ends = line_ends(work)
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
        answer = _reply(bench, work, points, last if took else None)
        # Ways known exactly and ways only proved do not mix: each step must come nearer.
        if answer is None or (points > 0 and answer[1] >= longest):
            ends = "open"
            if settled.via:
                moves += settled.via
                ends = "into the tables"
            break
        reply, length = answer
        longest = length if points > 0 else longest
        took = work.is_capture(reply)
        longest = NO_WAY if work.is_zeroing(reply) else longest
        quiet = 0 if took else quiet + 1
        moves.append(work.san(reply))
        last = reply
        work = after_move(work, reply)
        ends = line_ends(work)
        if not ends and not points and quiet >= HELD_PLIES:
            ends = "held"
    return Line(board.fen(), tuple(moves), ends or "so on")


def _can_take(board: chess.Board, square: chess.Square) -> bool:
    return any(board.generate_legal_captures(to_mask=chess.BB_SQUARES[square]))


def _reply(
    bench: Bench, board: chess.Board, points: int, took: chess.Move | None
) -> tuple[chess.Move, int] | None:
    """The move of the side to move, which stands to get ``points``, and its plies to the next
    capture, pawn move or mate; None if nothing is known."""
    keeping = [(m, v) for m, v in bench.kept(board).moves if v is not None and v.points == points]
    if took is not None and points <= 0:
        # Taking back comes first, if it is not the losing move of a drawn position.
        back = [i for i in keeping if i[0].to_square == took.to_square and board.is_capture(i[0])]
        keeping = back or keeping
    if not keeping:
        return None
    if points == 0:
        rough = {move: _safest(board, move) for move, _ in keeping}
        least = min(rough.values())
        level = [move for move, _ in keeping if rough[move] == least][:_MOST_TESTED]
        return min(level, key=lambda move: _good_answers(bench, board, move)), NO_WAY
    if points < 0:
        # The loser takes what he can get, gives nothing away at once, and then holds out longest.
        keeping.sort(key=lambda item: (*_safest(board, item[0]), board.is_zeroing(item[0])))
    move, verdict = keeping[0]
    return move, plies_to_goal(board, move, verdict, bench.way)


def _safest(board: chess.Board, move: chess.Move) -> tuple[int, int]:
    """First what takes something, then what loses nothing; a trade is no hurry."""
    child = after_move(board, move)
    gain = static_exchange(board, move)
    loses = best_capture(child) - taken_value(board, move)
    return -max(gain, 0), max(loses, 0)


#: More moves than this are not tried for the hardest test of a draw; the first ones are.
_MOST_TESTED = 10


def _good_answers(bench: Bench, board: chess.Board, move: chess.Move) -> int:
    """How many answers still hold the draw: the fewer, the harder the test."""
    replies = bench.children(after_move(board, move))
    return sum(v is not None and v.points == 0 for _, v in replies) if len(replies) > 1 else 99


# --- to the point -------------------------------------------------------------------------------

#: A line is shown to its end, or to a capture or promotion that stands, if that is no further off.
MOST_WAY = 12
#: Plies that are shown where nothing happens for so long.
LEAST_SHOWN = 3
_LASTING = frozenset({"mate", "stalemate", "promotion", "elementary", "no mating material"})


def to_the_point(line: Line) -> Line:
    """The line up to where its point is made.

    That is, once the trade it begins with is done, the first promotion or capture that is not taken
    back, or the end that the line names.  Where none of these comes within `MOST_WAY` plies, the
    first moves alone tell it, and no quiet moves follow.
    """
    board = chess.Board(line.fen)
    moves, captures = [], []
    for san in line.moves:
        move = board.parse_san(san)
        captures.append(board.is_capture(move))
        moves.append(move)
        board.push(move)
    traded = 1
    while (
        traded < len(moves) and captures[traded] and moves[traded].to_square == moves[0].to_square
    ):
        traded += 1
    end, ends = len(moves), line.ends
    for i in range(min(traded, len(moves)), min(len(moves), traded + MOST_WAY)):
        back = (
            i + 1 < len(moves) and captures[i + 1] and moves[i + 1].to_square == moves[i].to_square
        )
        taken_back = captures[i - 1] and moves[i - 1].to_square == moves[i].to_square
        if moves[i].promotion or (captures[i] and not back and not taken_back):
            end = i + 1
            break
    else:
        if line.ends not in _LASTING or len(moves) > traded + MOST_WAY:
            end = max(traded + LEAST_SHOWN - 1, LEAST_SHOWN)
    if end < len(moves) or ends in ("held", "so on", "open"):
        ends = "point"
    return Line(line.fen, line.moves[:end], ends)
