"""The opponent: wins by the shortest way, holds a draw, loses by the longest way.

Distances are those to the next capture, pawn move or mate, by table or solver; how far off the mate
is in the end is not known.  Where the outcome is not settled the reply rests on the estimate.
"""

from __future__ import annotations

from collections.abc import Sequence

import chess

from convert.board.balance import balance, census
from convert.judging.judges import Bench, after_move
from convert.judging.keeping import Move, plies_to_goal
from convert.judging.laws import announced_claims, at_an_end, claim, claim_is_near
from convert.judging.lines import test_order
from convert.model import Side, Verdict
from convert.model.record import End, How
from tablebases.values import Outcome

Rated = tuple[chess.Move, Verdict]


def reply(bench: Bench, board: chess.Board) -> chess.Move:
    """The opponent's move in a position where it is to move.

    Args:
        bench: the judges.
        board: the position, the game's moves on its stack; not changed.

    Raises:
        ValueError: there is no legal move.
    """
    choices = bench.kept(board)
    if not choices.moves:
        raise ValueError(f"no legal move: {board.fen()}")
    wins = [(m, v) for m, v in choices.moves if v is not None and v.points == 1]
    if wins:
        return quickest(bench, board, wins)
    settled = choices.verdict
    if settled is None or not settled.exact:
        return _likeliest(bench, board, choices.moves)
    if settled.points == -1:
        return longest(bench, board, choices.moves)
    holding = choices.holding(0)
    if settled.points == 0 and holding:
        return _drawing(bench, board, holding)
    # Settled by a forced line whose moves are not settled one by one.
    if settled.via:
        return board.parse_san(settled.via[0])
    # The position is settled, the move that keeps it is not: it is among those still open.
    return _likeliest(bench, board, choices.may_hold(settled.low.points) or choices.moves)


def claims(bench: Bench, board: chess.Board) -> End | None:
    """The draw that the opponent, having the move, claims.

    It claims what the Laws allow (9.2, 9.3) when it is losing, or would be without the clock; in a
    drawn position the third appearance only when it defends, fifty moves in any case; by the
    estimate, when it expects less than a draw.
    """
    side = Side.of(board.turn)
    here = claim(board)
    announced = announced_claims(board) if here is None and _claims_are_near(board) else []
    if here is None and not announced:
        return None
    how = here if here is not None else announced[0][1]
    if not _wants_draw(bench, board, side, how):
        return None
    if here is not None:
        return End(here, None, side)
    return End(how, None, side, board.san(announced[0][0]))


def _wants_draw(bench: Bench, board: chess.Board, side: Side, how: How) -> bool:
    verdict = bench.by_moves(board)
    # A claim that the clock allows is in the verdict already: what counts is the play without it.
    moves = bench.children(board)
    best = max((v.low for _, v in moves if v is not None), default=Outcome.LOSS)
    if best > Outcome.DRAW or verdict.points == 1:
        return False
    if not verdict.exact:
        return verdict.expected < 0.5
    if verdict.points == 0 and verdict.low is Outcome.DRAW and how is How.THREEFOLD:
        return not is_attacker(board, side)
    return True


def _claims_are_near(board: chess.Board) -> bool:
    """Can any move lead to a third appearance or to the hundredth ply?  Cheap to ask."""
    return claim_is_near(board) or len(board.move_stack) >= 7


def accepts_draw(bench: Bench, board: chess.Board, opponent: Side) -> bool:
    """Does the opponent take a draw that is offered?

    It does where its position is drawn or lost for certain; where nothing is settled, if it expects
    clearly less than a draw by the estimate.
    """
    verdict = bench.by_moves(board).for_side(opponent)
    return verdict.high.points <= 0 or (not verdict.exact and verdict.expected < 0.4)


def is_attacker(board: chess.Board, side: Side) -> bool:
    """Does ``side`` try to win a drawn position?  Not if the other side has more material."""
    ahead = balance(census(board)).ahead
    return ahead is None or ahead == side.color


def longest(bench: Bench, board: chess.Board, moves: Sequence[Move]) -> chess.Move:
    """The longest resistance; of equals a repeated position, then the fewest answers that win."""
    lengths = {m: plies_to_goal(board, m, v, bench.way) for m, v in moves}
    most = max(lengths.values())
    best = [move for move, length in lengths.items() if length == most]
    if len(best) == 1:
        return best[0]

    def order(move: chess.Move) -> tuple[int, int]:
        answers = bench.children(after_move(board, move))
        wins = sum(v is None or v.high.points >= 1 for _, v in answers)
        return -_repeats(board, move), wins

    return min(best, key=order)


def quickest(bench: Bench, board: chess.Board, moves: Sequence[Rated]) -> chess.Move:
    """Mate, else the shortest way to a capture or pawn move that keeps the win."""

    def order(item: Rated) -> tuple[int, int]:
        move, verdict = item
        return plies_to_goal(board, move, verdict, bench.way), _repeats(board, move)

    return min(moves, key=order)[0]


def _drawing(bench: Bench, board: chess.Board, holding: Sequence[Rated]) -> chess.Move:
    """A cursed win is tried for, a blessed loss drawn out; else a draw is tested or held."""
    best = max(verdict.low for _, verdict in holding)
    equals = [(move, verdict) for move, verdict in holding if verdict.low is best]
    if best is Outcome.CURSED_WIN:
        return quickest(bench, board, equals)
    if best is Outcome.BLESSED_LOSS:
        return longest(bench, board, equals)
    moves = [move for move, _ in equals]
    if is_attacker(board, Side.of(board.turn)):
        return hardest_test(bench, board, moves)
    return _holds(board, moves)


def hardest_test(bench: Bench, board: chess.Board, moves: Sequence[chess.Move]) -> chess.Move:
    """The move that leaves the player the fewest answers that hold.

    Positions that were on the board before come last; for the rest see
    :func:`convert.judging.lines.test_order`.
    """

    def order(move: chess.Move) -> tuple[int, ...]:
        answers = len(bench.children(after_move(board, move)))
        return (_repeats(board, move), *test_order(bench, board, move), -answers)

    return min(moves, key=order)


def _holds(board: chess.Board, moves: Sequence[chess.Move]) -> chess.Move:
    """The plainest way to hold: the game drawn at once, a capture, a repetition."""

    def order(move: chess.Move) -> tuple[bool, bool, int]:
        drawn = at_an_end(after_move(board, move)) in (How.STALEMATE, How.DEAD)
        return not drawn, not board.is_capture(move), -_repeats(board, move)

    return min(moves, key=order)


def _likeliest(bench: Bench, board: chess.Board, moves: Sequence[Move]) -> chess.Move:
    """The move with the best expected score by the estimate."""

    def order(item: Rated) -> tuple[float, int]:
        move, verdict = item
        again = _repeats(board, move)
        return -round(verdict.expected, 3), again if verdict.expected >= 0.5 else -again

    return min(bench.weigh(board, (move for move, _ in moves)), key=order)[0]


def _repeats(board: chess.Board, move: chess.Move) -> int:
    """How often the position after ``move`` has been on the board before, at most twice."""
    board.push(move)
    times = 2 if board.is_repetition(3) else 1 if board.is_repetition(2) else 0
    board.pop()
    return times
