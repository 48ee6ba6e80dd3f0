"""The opponent: wins by the shortest way, holds a draw, loses by the longest way.

Distances are those to the next capture, pawn move or mate, by table or solver; how far off the mate
is in the end is not known.  Where the outcome is not settled the reply rests on the estimate.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import chess

from convert.balance import balance, census
from convert.judge import Bench, after_move
from convert.model import Side, Verdict
from convert.playing.laws import announced_claims, claim
from convert.playing.record import End, How
from tablebases.values import Outcome

#: Stands for a distance that is not known: no shorter than any that keeps a win.
UNKNOWN_PLIES = 100

Rated = tuple[chess.Move, Verdict | None]


def reply(bench: Bench, board: chess.Board) -> chess.Move:
    """The opponent's move in a position where it is to move.

    Args:
        bench: the judges.
        board: the position, the game's moves on its stack; not changed.

    Raises:
        ValueError: there is no legal move.
    """
    side = Side.of(board.turn)
    rated = _rated(bench, board)
    if not rated:
        raise ValueError(f"no legal move: {board.fen()}")
    wins = [move for move, told in rated if told is not None and told.points == 1]
    if wins:
        return quickest(bench, board, wins)
    settled = bench.kept(board).verdict
    everything = [move for move, _ in rated]
    if settled is None or not settled.exact:
        return _likeliest(bench, board, side, everything)
    if settled.points == -1:
        return longest(bench, board, everything)
    holding = [(m, told) for m, told in rated if told is not None and told.low.points >= 0]
    if settled.points == 0 and holding:
        return _drawing(bench, board, holding)
    # Settled by a forced line whose moves are not settled one by one.
    if settled.via:
        return board.parse_san(settled.via[0])
    # The position is settled, the move that keeps it is not: it is among those still open.
    points = settled.low.points
    may = [move for move, told in rated if told is None or told.high.points >= points]
    return _likeliest(bench, board, side, may or everything)


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
    told = bench.by_moves(board)
    # A claim that the clock allows is in the verdict already: what counts is the play without it.
    best = max(
        (v.low for _, v in _rated(bench, board) if v is not None), default=Outcome.LOSS
    )
    if best > Outcome.DRAW or told.points == 1:
        return False
    if not told.exact:
        return told.expected < 0.5
    if told.points == 0 and told.low is Outcome.DRAW and how is How.THREEFOLD:
        return not is_attacker(board, side)
    return True


def _claims_are_near(board: chess.Board) -> bool:
    """Can any move lead to a third appearance or to the hundredth ply?  Cheap to ask."""
    return board.halfmove_clock >= 99 or len(board.move_stack) >= 7


def accepts_draw(bench: Bench, board: chess.Board, opponent: Side) -> bool:
    """Does the opponent take a draw that is offered?

    It does where its position is drawn or lost for certain; where nothing is settled, if it expects
    clearly less than a draw by the estimate.
    """
    told = bench.by_moves(board).for_side(opponent)
    return told.high.points <= 0 or (not told.exact and told.expected < 0.4)


def is_attacker(board: chess.Board, side: Side) -> bool:
    """Does ``side`` try to win a drawn position?  Not if the other side has more material."""
    ahead = balance(census(board)).ahead
    return ahead is None or ahead == side.color


def _rated(bench: Bench, board: chess.Board) -> list[Rated]:
    """Every legal move with what is settled of it for its player, in the order of the squares."""
    rated = bench.children(board)
    return sorted(rated, key=lambda r: (r[0].from_square, r[0].to_square, -(r[0].promotion or 0)))


def resistance(bench: Bench, board: chess.Board, move: chess.Move) -> int:
    """Plies from here to the next capture, pawn move or mate that comes after ``move``.

    A capture or pawn move of the loser's own starts the count afresh: what counts is how far off
    the next one is.
    """
    way = bench.way(after_move(board, move))
    return 1 + (UNKNOWN_PLIES if way is None else way)


def longest(bench: Bench, board: chess.Board, moves: Sequence[chess.Move]) -> chess.Move:
    """The longest resistance; of equals a repeated position, then the fewest answers that win."""
    lengths = {move: resistance(bench, board, move) for move in moves}
    most = max(lengths.values())
    best = [move for move in moves if lengths[move] == most]
    if len(best) == 1:
        return best[0]
    return min(
        best,
        key=lambda m: (-_repeats(board, m), _answers(bench, board, m, 1)[0], *_squares(m)),
    )


def quickest(bench: Bench, board: chess.Board, moves: Iterable[chess.Move]) -> chess.Move:
    """Mate, else the shortest way to a capture or pawn move that keeps the win."""

    def order(move: chess.Move) -> tuple[int, ...]:
        child = after_move(board, move)
        if child.is_checkmate():
            return (0,)
        way = bench.way(child)
        left = UNKNOWN_PLIES if way is None else way
        length = 1 if board.is_zeroing(move) else 1 + left
        kind = 0 if board.is_capture(move) else 1 if move.promotion else 2
        under = int(move.promotion not in (None, chess.QUEEN))
        gives = any(child.generate_legal_captures())
        return (length, under, gives, kind, left, _repeats(board, move), *_squares(move))

    return min(moves, key=order)


def _drawing(bench: Bench, board: chess.Board, holding: Sequence[Rated]) -> chess.Move:
    """A cursed win is tried for, a blessed loss drawn out; else a draw is tested or held."""
    worth = {move: told.low for move, told in holding if told is not None}
    best = max(worth.values())
    kept = [move for move in worth if worth[move] == best]
    if best is Outcome.CURSED_WIN:
        return quickest(bench, board, kept)
    if best is Outcome.BLESSED_LOSS:
        return longest(bench, board, kept)
    if is_attacker(board, Side.of(board.turn)):
        return hardest_test(bench, board, kept)
    return _holds(board, kept)


def hardest_test(bench: Bench, board: chess.Board, moves: Sequence[chess.Move]) -> chess.Move:
    """The move that leaves the player the fewest answers that hold.

    Positions that were on the board before come last, and so do moves that let a man be taken
    and moves that leave no choice.
    """

    def order(move: chess.Move) -> tuple[int, ...]:
        child = after_move(board, move)
        gives = any(child.generate_legal_captures())
        holds, total = _answers(bench, board, move, 0)
        forced = total <= 1
        return (_repeats(board, move), gives, forced, holds, -total, *_squares(move))

    return min(moves, key=order)


def _holds(board: chess.Board, moves: Sequence[chess.Move]) -> chess.Move:
    """The plainest way to hold: the game drawn at once, a capture, a repetition."""

    def order(move: chess.Move) -> tuple[int, ...]:
        child = after_move(board, move)
        drawn = child.is_stalemate() or child.is_insufficient_material()
        return (
            not drawn, not board.is_capture(move), -_repeats(board, move), *_squares(move)
        )  # fmt: skip

    return min(moves, key=order)


def _likeliest(
    bench: Bench, board: chess.Board, side: Side, moves: Sequence[chess.Move]
) -> chess.Move:
    """The move with the best expected score by the estimate."""

    def order(move: chess.Move) -> tuple[float, ...]:
        told = bench.verdict(after_move(board, move)).for_side(side).expected
        again = _repeats(board, move)
        return (-round(told, 3), again if told >= 0.5 else -again, *_squares(move))

    return min(moves, key=order)


def _answers(
    bench: Bench, board: chess.Board, move: chess.Move, points: int
) -> tuple[int, int]:
    """Of the answers to ``move``: how many keep so many points, as far as is known; and all."""
    told = [v for _, v in bench.children(after_move(board, move))]
    return sum(v is None or v.high.points >= points for v in told), len(told)


def _repeats(board: chess.Board, move: chess.Move) -> int:
    """How often the position after ``move`` has been on the board before, at most twice."""
    board.push(move)
    times = 2 if board.is_repetition(3) else 1 if board.is_repetition(2) else 0
    board.pop()
    return times


def _squares(move: chess.Move) -> tuple[int, int, int]:
    return move.from_square, move.to_square, -(move.promotion or 0)


