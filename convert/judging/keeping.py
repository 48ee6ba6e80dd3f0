"""What the moves of a position keep, and what that says of the position itself.

A position is worth the best of its moves: no less than any of them is worth, and no more than
the best of all.  So whatever can be said of the moves (a mate on the board, a capture into a
table, replies that all lose) is said of the position, by :func:`backed_up`.  The Laws come first:
the moves of a game that is over count for nothing, and a draw that may be claimed is a choice
like a move (FIDE Laws of Chess, 9.3).

Knowledge is never averaged.  Where two judges, or a position and its moves, exclude each other
:func:`narrowed` raises :class:`~convert.errors.Disagreement`.

Pure functions over boards and verdicts; :class:`convert.judging.judges.Bench` asks the judges.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import islice
from typing import TypeVar

import chess

from convert.board.activity import static_exchange
from convert.errors import Disagreement
from convert.judging.laws import may_claim, over_by_clock
from convert.model import Evidence, Side, Verdict
from tablebases.values import Outcome

#: From this difference (expected points) an estimate is made to agree with those of the moves.
AGREES_WITHIN = 0.15

_STRENGTH = {evidence: rank for rank, evidence in enumerate(Evidence)}

Move = tuple[chess.Move, Verdict | None]
V = TypeVar("V", bound=Verdict | None)

#: Plies from a position to the next capture, pawn move or mate, on the way that is proved.
Way = Callable[[chess.Board], int | None]
#: Stands for the length of a way that is not known, longer than any that is.
NO_WAY = 1000


def _no_way(_: chess.Board) -> int | None:
    return None


@dataclass(frozen=True)
class Choices:
    """The legal moves of a position with what each keeps, and the position by its moves.

    ``known`` in no order, ``moves`` in that of :func:`ordered`, which takes ways and is worked out
    when it is asked for; all verdicts are for the side to move.  ``verdict`` is None where nothing
    is known.
    """

    known: tuple[Move, ...]
    verdict: Verdict | None
    order: Callable[[Iterable[Move]], tuple[Move, ...]] = field(compare=False, repr=False)

    @cached_property
    def moves(self) -> tuple[Move, ...]:
        """The moves in the one order, best first."""
        return self.order(self.known)

    def of(self, move: chess.Move) -> Verdict | None:
        """What is known of a legal move, for its player."""
        return next(verdict for legal, verdict in self.known if legal == move)

    def holding(self, points: int) -> tuple[tuple[chess.Move, Verdict], ...]:
        """The moves that surely get so many points or more, best first."""
        return tuple((m, v) for m, v in self.moves if v is not None and v.low.points >= points)

    def may_hold(self, points: int) -> tuple[Move, ...]:
        """The moves that may get so many points, as far as is known, best first."""
        return tuple((m, v) for m, v in self.moves if v is None or v.high.points >= points)

    def told_apart(self, points: int) -> bool:
        """Is it certain of every move whether it gets so many points?"""
        return all(
            v is not None and (v.low.points >= points or v.high.points < points)
            for _, v in self.known
        )


def only_move(board: chess.Board) -> chess.Move | None:
    """The legal move where there is exactly one."""
    moves = list(islice(board.generate_legal_moves(), 2))
    return moves[0] if len(moves) == 1 else None


def basis(verdict: Verdict) -> Evidence:
    """What a verdict rests on: rules, tables, the solver or an estimate; never *bounded*.

    Bounds that rest on tables show their line (``via``); those of the solver have none.
    """
    if verdict.evidence is Evidence.BOUNDED:
        return Evidence.TABLE if verdict.via else Evidence.SOLVED
    return verdict.evidence


def weakest(verdicts: Iterable[Verdict]) -> Evidence:
    """The weakest of what the verdicts rest on; it is true of all of them together."""
    return max((basis(verdict) for verdict in verdicts), key=_STRENGTH.__getitem__)


# --- two that speak of one position ---------------------------------------------------------


def narrowed(fen: str, first: str, have: Verdict | None, second: str, new: Verdict) -> Verdict:
    """What ``have`` and ``new``, both for one side, prove together.

    Args:
        fen: the position, for the error.
        first, second: who says so, for the error.

    Raises:
        Disagreement: they leave no result.
    """
    if have is None:
        return new
    low, high = max(have.low, new.low), min(have.high, new.high)
    if low.points > high.points:
        raise Disagreement(fen, first, have, second, new)
    if claimed(have, new):
        # The draw that the Laws let the loser claim (clock at 100) is the table's blessed loss.
        return replace(have, high=Outcome.DRAW)
    if low > high:
        # One result under two names: who counts results alone calls a cursed win a draw.
        low = high = Outcome.DRAW
    elif (low, high) == (have.low, have.high):
        return have
    elif (low, high) == (new.low, new.high):
        return new
    exact = low.points == high.points
    rests = weakest((have, new))
    evidence = rests if exact or rests is Evidence.RULES else Evidence.BOUNDED
    # The line shows how the side gets so much; a claim needs none.
    better, worse = (new, have) if new.low > have.low else (have, new)
    via = better.via if better.evidence is Evidence.RULES else better.via or worse.via
    return Verdict(have.side, low, high, evidence, via=() if rests is Evidence.SOLVED else via)


def claimed(have: Verdict, new: Verdict) -> bool:
    """Do the Laws give the side to move the draw where the other verdict is a blessed loss?"""
    return (have.low, have.high, have.evidence) == (
        Outcome.DRAW,
        Outcome.WIN,
        Evidence.RULES,
    ) and new.high is Outcome.BLESSED_LOSS


# --- a position and its moves ---------------------------------------------------------------


def ordered(
    board: chess.Board, moves: Iterable[tuple[chess.Move, V]], way: Way = _no_way
) -> tuple[tuple[chess.Move, V], ...]:
    """The best move first: the one order of moves, in every report, exercise and reply.

    First what a move is worth: by expected score, then by what is sure.  Of moves that win, the
    shortest way to the goal (:func:`plies_to_goal`), a queen before a lesser piece, then mate
    before a new queen before a capture that gains before anything else, what puts least at risk in
    one exchange on its square, and the shorter way to the goal after that.  Of moves that lose,
    the longest way.  At last what goes furthest forward, and by squares: all seen from the side to
    move, so that the order is the same for both colours.

    Args:
        board: the position.
        moves: moves of it, each with what is known after it, for the side that makes it.
        way: plies from a position to the next capture, pawn move or mate, as far as known.
    """
    items = list(moves)
    firsts = [_first_order(board, move, verdict, way) for move, verdict in items]
    alike = Counter(firsts)

    def order(at: int) -> tuple[float, ...]:
        move, verdict = items[at]
        if verdict is None or verdict.low < Outcome.CURSED_WIN or alike[firsts[at]] == 1:
            return (*firsts[at], 0, 0, 0, *_forward(board, move))
        return (*firsts[at], *_telling(board, move, verdict), *_forward(board, move))

    return tuple(items[at] for at in sorted(range(len(items)), key=order))


def _first_order(
    board: chess.Board, move: chess.Move, verdict: Verdict | None, way: Way
) -> tuple[float, ...]:
    """Worth, way and promotion; what follows tells moves apart that are alike in these."""
    under = int(move.promotion not in (None, chess.QUEEN))
    if verdict is None:
        return (-0.5, 1, -1, 2, -2, 0, under)
    low, high = verdict.low, verdict.high
    worth = (-verdict.expected, -low.points, -high.points, -low, -high)
    if low > Outcome.DRAW:
        return (*worth, plies_to_goal(board, move, verdict, way), under)
    if high < Outcome.DRAW:
        return (*worth, -plies_to_goal(board, move, verdict, way), under)
    return (*worth, 0, under)


def plies_to_goal(
    board: chess.Board, move: chess.Move, verdict: Verdict | None, way: Way = _no_way
) -> int:
    """Plies to the next capture, pawn move or mate by ``move``; :data:`NO_WAY` if not known.

    Of a move that wins the move itself may be it.  A capture or pawn move of the loser's own
    starts the count afresh: what counts is how far off the next one is.

    Args:
        board: the position before the move.
        move: the move.
        verdict: what is proved after it, for its player; None where nothing is.
        way: as in :func:`ordered`.
    """
    child = board.copy(stack=False)
    child.push(move)
    if verdict is not None and verdict.low > Outcome.DRAW:
        if child.is_checkmate():
            return 0
        if board.is_zeroing(move):
            return 1
    left = None if verdict is None else verdict.distance
    if left is None:
        left = way(child)
    return NO_WAY if left is None else 1 + left


def _telling(board: chess.Board, move: chess.Move, verdict: Verdict) -> tuple[int, int, int]:
    gain = static_exchange(board, move)
    left = NO_WAY if verdict.distance is None else verdict.distance
    return (0 if move.promotion else 1 if gain > 0 else 2), -gain, left


def _forward(board: chess.Board, move: chess.Move) -> tuple[int, ...]:
    squares = seen(board, move)
    return -chess.square_rank(squares[1]), *squares


def seen(board: chess.Board, move: chess.Move) -> tuple[int, int, int]:
    """The squares of a move seen from the side to move, for an order that colours do not alter."""
    flip = 0 if board.turn else 56
    return move.from_square ^ flip, move.to_square ^ flip, -(move.promotion or 0)


def best_interval(
    board: chess.Board, intervals: Sequence[tuple[Outcome, Outcome] | None]
) -> tuple[Outcome, Outcome]:
    """Least and best outcome for the side to move, from those of all its legal moves.

    Args:
        board: a position with a legal move, in which the game is not over.
        intervals: least and best outcome after each move, for the side that makes it; None where
            nothing is known of a move.
    """
    known = [interval for interval in intervals if interval is not None]
    if may_claim(board):
        known.append((Outcome.DRAW, Outcome.DRAW))
    low = max((low for low, _ in known), default=Outcome.LOSS)
    high = Outcome.WIN if None in intervals else max(high for _, high in known)
    return low, high


def backed_up(board: chess.Board, own: Verdict | None, moves: Sequence[Move]) -> Verdict | None:
    """What is proved of the position: by itself and by its moves.

    The verdict's evidence is the weakest of what is needed for it: the best move where that raises
    the lower bound, all moves where together they lower the upper one.

    Args:
        board: the position.
        own: what is proved of the position itself, for the side to move.
        moves: all its legal moves, with what is proved after each, for the side that makes it.

    Raises:
        Disagreement: the moves prove something else than is proved of the position.
    """
    if not moves or over_by_clock(board):
        return own
    intervals = [None if v is None else (v.low, v.high) for _, v in moves]
    low, high = best_interval(board, intervals)
    if own is not None and own.exact and own.points == low.points == high.points:
        return own  # the moves agree; its own name for the result is the closer one
    for end in (_at_least(board, low, moves), _at_most(board, high, moves)):
        if end is not None:
            second, part = end
            own = narrowed(board.fen(), (own and judge_word(own)) or "", own, second, part)
    return own


def _at_least(
    board: chess.Board, low: Outcome, moves: Sequence[Move]
) -> tuple[str, Verdict] | None:
    """Who shows that the side to move gets ``low`` or more; None where it is nothing."""
    if low is Outcome.LOSS:
        return None
    able = [(move, v) for move, v in moves if v is not None and v.low >= low]
    if not able:
        side = Side.of(board.turn)
        return "rules", Verdict(side, low, Outcome.WIN, Evidence.RULES)
    move, best = min(able, key=lambda item: _shows(*item))
    san = board.san(move)
    return _after(best, san), _part(best, low, Outcome.WIN, basis(best), san)


def _at_most(
    board: chess.Board, high: Outcome, moves: Sequence[Move]
) -> tuple[str, Verdict] | None:
    """Who shows that the side to move gets ``high`` at most; None where it is nothing."""
    known = [(move, v) for move, v in moves if v is not None]
    if high is Outcome.WIN or not known:
        return None
    move, best = max(known, key=lambda item: (item[1].high, *_shows(*item)))
    rests = weakest(v for _, v in known)
    return "those of the moves", _part(best, Outcome.LOSS, high, rests, board.san(move))


def _after(verdict: Verdict, san: str) -> str:
    return f"{judge_word(verdict)} (after {san})"


def _shows(move: chess.Move, verdict: Verdict) -> tuple[int, ...]:
    """Which of equal moves shows best what is proved: strong evidence, a short line."""
    return (
        _STRENGTH[basis(verdict)],
        len(verdict.via),
        NO_WAY if verdict.distance is None else verdict.distance,
        int(move.promotion not in (None, chess.QUEEN)),
        move.from_square,
        move.to_square,
    )


def _part(verdict: Verdict, low: Outcome, high: Outcome, rests: Evidence, san: str) -> Verdict:
    """One end of an interval, proved by a move that leads to ``verdict``."""
    exact = low.points == high.points
    return Verdict(
        verdict.side,
        low,
        high,
        rests if exact or rests is Evidence.RULES else Evidence.BOUNDED,
        via=() if rests is Evidence.SOLVED else (san, *verdict.via),
    )


def judge_word(verdict: Verdict) -> str:
    """Which judge speaks with such evidence."""
    return {
        Evidence.RULES: "rules",
        Evidence.TABLE: "lines into the tables" if verdict.via else "tables",
        Evidence.SOLVED: "solver",
        Evidence.BOUNDED: "lines into the tables" if verdict.via else "solver",
        Evidence.ESTIMATE: "estimate",
    }[verdict.evidence]


def raised(board: chess.Board, own: Verdict, san: str, after: Verdict) -> Verdict:
    """What a single move proves of the position before it; both are for its player.

    Args:
        board: the position before the move.
        own: what is known of it.
        san: the move.
        after: what is known of the position it leads to.

    Raises:
        Disagreement: the move is worth more than the position can be.
    """
    if after.low <= own.low or over_by_clock(board):
        return own
    if own.exact and after.low.points <= own.high.points:
        return own
    part = _part(after, after.low, Outcome.WIN, basis(after), san)
    verdict = narrowed(board.fen(), judge_word(own), own, _after(after, san), part)
    if verdict.exact or own.win is None:
        return verdict
    return with_chances(verdict, own.win_probability, own.loss_probability, own.measured)


def agreeing(own: Verdict, best: Verdict) -> Verdict:
    """An estimate before a move, brought to that after the best move where they are far apart."""
    if own.exact or abs(own.expected - best.expected) < AGREES_WITHIN:
        return own
    return with_chances(own, best.win_probability, best.loss_probability)


def with_chances(
    verdict: Verdict, win: float, loss: float, measured: bool | None = None
) -> Verdict:
    """Add probabilities for the verdict's side, given what its interval excludes.

    Args:
        measured: whether they were held against outcomes; None: as the verdict says.
    """
    draw = max(0.0, 1.0 - win - loss)
    if verdict.high.points < 1:
        win = 0.0
    if verdict.low.points > -1:
        loss = 0.0
    if verdict.low.points > 0 or verdict.high.points < 0:
        draw = 0.0
    total = win + draw + loss
    if total <= 0:
        win = loss = 0.0
        total = 1.0
    is_measured = verdict.measured if measured is None else measured
    return replace(
        verdict, win=round(win / total, 4), loss=round(loss / total, 4), measured=is_measured
    )
