"""Lines that show why: best play to the next capture, pawn move or mate.

All lines stay inside what tables and solver know, and take the first move in the order of
:mod:`convert.judging.keeping`: the winner the shortest way to the next capture, pawn move or
mate, without leaving a man to be taken if there is such a way, the loser the longest, but he takes
back and takes what hangs.  In a drawn position the attacker sets the hardest test, the reply
that leaves fewest moves that hold, and the defender answers it.
"""

from __future__ import annotations

import chess

from convert.board.activity import best_capture, static_exchange, taken_value
from convert.judging.judges import Bench, after_move
from convert.judging.keeping import NO_WAY, plies_to_goal
from convert.judging.laws import line_ends
from convert.model import Evidence, Line, Verdict
from tablebases.values import Outcome

#: Longest line shown, in plies.
MOST_PLIES = 60
#: Plies of a line that shows how a draw is held.
DRAW_PLIES = 6


def best_line(bench: Bench, board: chess.Board, most: int = MOST_PLIES) -> Line | None:
    """Best play by both from a decided or drawn position; None out of reach."""
    settled = bench.settle(board)
    if settled is None or not settled.exact or not bench.reaches(board):
        return None
    if settled.points == 0:
        # A cursed win is no drawn position to be held: no line shows it in few moves.
        return _drawn_line(bench, board) if settled.low == settled.high == Outcome.DRAW else None
    return _decided_line(bench, board, most)


def _decided_line(bench: Bench, board: chess.Board, most: int) -> Line | None:
    work = board.copy(stack=False)
    moves: list[str] = []
    ends = ""
    nearest = NO_WAY
    while len(moves) < most:
        settled = bench.settle(work)
        if settled is None or not settled.exact or not settled.points:
            break
        step = _best_move(bench, work, settled.points, nearest)
        if step is None:
            break
        move, length = step
        if settled.points > 0:
            # Distances known exactly and ways only proved do not mix: each of the winner's moves
            # must come nearer, and a win proved without its way gets no aimless moves.
            if length >= nearest:
                break
            nearest = length
        zeroing = work.is_zeroing(move)
        capture, promotion = work.is_capture(move), move.promotion
        moves.append(work.san_and_push(move))
        ends = line_ends(work)
        if ends:
            break
        if zeroing:
            # A trade is shown whole, and what the loser takes is not the point of the line.
            if capture and (settled.points < 0 or best_capture(work) > 0):
                nearest = NO_WAY
                continue
            ends = "capture" if capture else "promotion" if promotion else "pawn move"
            break
    return Line(board.fen(), tuple(moves), ends) if moves else None


def _best_move(
    bench: Bench, board: chess.Board, points: int, nearest: int
) -> tuple[chess.Move, int] | None:
    """The first of the moves that keep the result, and its plies to the next goal.

    Where the solver has proved a win without knowing the shortest way, its proof's own way.  The
    winner's is the first that leaves nothing to be taken, if it comes nearer than ``nearest``.  The
    loser takes what he can get; his other captures and pawn moves, which would end the line, come
    last.
    """
    held = [(m, v) for m, v in bench.kept(board).moves if v is not None and v.points == points]
    if not held:
        return None
    if points < 0:
        held.sort(key=lambda item: (-_won(board, item[0]), board.is_zeroing(item[0])))
        move, verdict = held[0]
        return move, plies_to_goal(board, move, verdict, bench.way)
    steps = ((move, plies_to_goal(board, move, verdict, bench.way)) for move, verdict in held)
    first = next(steps)
    if best_capture(after_move(board, first[0])) <= taken_value(board, first[0]):
        return first
    for move, length in steps:
        if length < nearest and best_capture(after_move(board, move)) <= taken_value(board, move):
            return move, length
    return first


def _won(board: chess.Board, move: chess.Move) -> int:
    """What a capture wins, or takes back; 0 for any other move."""
    return max(static_exchange(board, move), 0) if board.is_capture(move) else 0


def _drawn_line(bench: Bench, board: chess.Board) -> Line | None:
    work = board.copy(stack=False)
    attacker = _attacker(work)
    moves: list[str] = []
    ends = ""
    while len(moves) < DRAW_PLIES:
        move = _test(bench, work) if work.turn == attacker else _answer(bench, work)
        if move is None:
            break
        moves.append(work.san_and_push(move))
        ends = line_ends(work)
        if ends:
            break
    return Line(board.fen(), tuple(moves), ends or "held") if moves else None


def _attacker(board: chess.Board) -> chess.Color:
    """The side that tries to win a drawn position: the one with more material."""
    from convert.board.balance import balance, census

    standing = balance(census(board))
    return standing.ahead if standing.ahead is not None else board.turn


def _holding(bench: Bench, board: chess.Board) -> list[chess.Move]:
    return [m for m, v in bench.kept(board).moves if v is not None and v.points == 0]


def _test(bench: Bench, board: chess.Board) -> chess.Move | None:
    """The drawing move that is the hardest test."""
    moves = _holding(bench, board)
    return min(moves, key=lambda move: test_order(bench, board, move)) if moves else None


def test_order(bench: Bench, board: chess.Board, move: chess.Move) -> tuple[int, ...]:
    """The least of it sets the opponent of a drawn position the hardest test.

    The fewest answers that hold, as far as is known.  Moves that let a man be
    taken and moves that leave no choice come last.
    """
    child = after_move(board, move)
    gives = any(child.generate_legal_captures())
    answers = bench.children(child)
    holds, total = sum(v is None or v.high.points >= 0 for _, v in answers), len(answers)
    return (gives, total <= 1, holds)


def _answer(bench: Bench, board: chess.Board) -> chess.Move | None:
    """A move that holds, captures first."""
    moves = _holding(bench, board)
    return min(moves, key=lambda move: not board.is_capture(move)) if moves else None


def line_after(bench: Bench, board: chess.Board, move: chess.Move) -> Line | None:
    """``move`` and best play after it, as one line from ``board``."""
    child, san = after_move(board, move), board.san(move)
    settled = bench.settle(child)
    if settled is None:
        return None
    if ends := line_ends(child):
        return Line(board.fen(), (san,), ends)
    if board.is_zeroing(move) and settled.points not in (0, None):
        follow = best_line(bench, child, most=12)
    else:
        follow = best_line(bench, child)
    if follow is None:
        return Line(board.fen(), (san, *settled.via), via_ends(settled))
    return Line(board.fen(), (san, *follow.moves), follow.ends)


def refutation(bench: Bench, board: chess.Board, verdict: Verdict) -> Line | None:
    """Best play after a slip, from the position it led to and the verdict on that."""
    line = best_line(bench, board)
    return line if line is not None else via_line(board, verdict)


def via_line(board: chess.Board, verdict: Verdict | None) -> Line | None:
    """The line by which a verdict on ``board`` is proved, None where it has none."""
    if verdict is None or not verdict.via:
        return None
    return Line(board.fen(), verdict.via, via_ends(verdict))


def via_ends(verdict: Verdict) -> str:
    """What ends the line by which a verdict is proved."""
    if not verdict.via:
        return ""
    if verdict.evidence is not Evidence.RULES:
        return "into the tables"
    return "mate" if verdict.points else ""
