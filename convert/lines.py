"""Lines that show why: best play to the next capture, pawn move or mate.

All lines stay inside what tables and solver know.  The winner takes the shortest way
to the next capture, pawn move or mate, the loser the longest; in a drawn
position the attacker sets the hardest test, the reply that leaves fewest moves
that hold, and the defender answers it.
"""

from __future__ import annotations

from dataclasses import dataclass

import chess

from convert.judge import Bench, after_move
from convert.model import Evidence, Line, Verdict
from tablebases.values import Outcome

#: Longest line shown, in plies.
MOST_PLIES = 60
#: Stands for a way that is not known: longer than any that is.
_NO_WAY = 1000
#: Plies of a line that shows how a draw is held.
DRAW_PLIES = 6


@dataclass(frozen=True)
class _Choice:
    move: chess.Move
    order: tuple[int, ...]


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
    nearest = _NO_WAY
    while len(moves) < most:
        settled = bench.settle(work)
        if settled is None or not settled.exact or not settled.points:
            break
        found = _best_move(bench, work, settled.points)
        if found is None:
            break
        move, length = found
        if settled.points > 0:
            # Distances known exactly and ways only proved do not mix: each of the winner's moves
            # must come nearer, and a win proved without its way gets no aimless moves.
            if length >= nearest:
                break
            nearest = length
        zeroing = work.is_zeroing(move)
        capture, promotion = work.is_capture(move), move.promotion
        moves.append(work.san_and_push(move))
        if work.is_checkmate():
            ends = "mate"
            break
        if zeroing:
            ends = "capture" if capture else "promotion" if promotion else "pawn move"
            break
    return Line(board.fen(), tuple(moves), ends) if moves else None


def _best_move(
    bench: Bench, board: chess.Board, points: int
) -> tuple[chess.Move, int] | None:
    """The winner's shortest way, the loser's longest, by distance to zeroing, and its plies.

    Where the solver has proved a win without knowing the shortest way, its proof's own way.
    """
    choices: list[_Choice] = []
    for move, verdict in bench.children(board):
        if verdict is None or verdict.points != points:
            continue
        zeroing = board.is_zeroing(move)
        board.push(move)
        if board.is_checkmate():
            length = 0
        elif zeroing:
            length = 1
        else:
            way = bench.way(board)
            length = _NO_WAY if way is None else 1 + way
        board.pop()
        # Mate first, then captures, then queening, then plain pawn moves.
        kind = 0 if length == 0 else 1 if board.is_capture(move) else 2 if move.promotion else 3
        under = 0 if move.promotion in (None, chess.QUEEN) else 1
        sign = 1 if points > 0 else -1
        choices.append(
            _Choice(move, (sign * length, under, kind, move.from_square, move.to_square))
        )
    if not choices:
        return None
    best = min(choices, key=lambda c: c.order)
    return best.move, abs(best.order[0])


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
        if work.is_stalemate():
            ends = "stalemate"
            break
        if work.is_insufficient_material():
            ends = "no mating material"
            break
    return Line(board.fen(), tuple(moves), ends or "held") if moves else None


def _attacker(board: chess.Board) -> chess.Color:
    """The side that tries to win a drawn position: the one with more material."""
    from convert.balance import balance, census

    told = balance(census(board))
    return told.ahead if told.ahead is not None else board.turn


def _holding(bench: Bench, board: chess.Board) -> list[chess.Move]:
    return [m for m, v in bench.children(board) if v is not None and v.points == 0]


def _test(bench: Bench, board: chess.Board) -> chess.Move | None:
    """The drawing move that leaves the opponent fewest answers that hold."""
    best: tuple[tuple[int, ...], chess.Move] | None = None
    for move in _holding(bench, board):
        board.push(move)
        total = board.legal_moves.count()
        holds = len(_holding(bench, board))
        # A move that lets the defender take a man is no test of him.
        gives = any(board.generate_legal_captures())
        check = board.is_check()
        board.pop()
        order = (gives, holds if total > 1 else 99, not check, move.from_square, move.to_square)
        if best is None or order < best[0]:
            best = (order, move)
    return best[1] if best else None


def _answer(bench: Bench, board: chess.Board) -> chess.Move | None:
    """A move that holds, captures first."""
    moves = _holding(bench, board)
    if not moves:
        return None
    return min(moves, key=lambda m: (not board.is_capture(m), m.from_square, m.to_square))


def line_after(bench: Bench, board: chess.Board, move: chess.Move) -> Line | None:
    """``move`` and best play after it, as one line from ``board``."""
    child, san = after_move(board, move), board.san(move)
    settled = bench.settle(child)
    if settled is None:
        return None
    if child.is_checkmate():
        return Line(board.fen(), (san,), "mate")
    if child.is_stalemate():
        return Line(board.fen(), (san,), "stalemate")
    if child.is_insufficient_material():
        return Line(board.fen(), (san,), "no mating material")
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
