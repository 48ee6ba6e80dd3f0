"""What the moves of a position keep, and what that says of the position itself.

A position is worth the best of its moves: no less than any of them is worth, and no more than
the best of all.  So whatever can be said of the moves (a mate on the board, a capture into a
table, replies that all lose) is said of the position, by :func:`backed_up`.  The Laws come first:
the moves of a game that is over count for nothing, and a draw that may be claimed is a choice
like a move (FIDE Laws of Chess, 9.3).

Knowledge is never averaged.  Where two judges, or a position and its moves, exclude each other
:func:`narrowed` raises :class:`~convert.errors.Disagreement`.

Pure functions over boards and verdicts; :class:`convert.judge.Bench` asks the judges.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import chess

from convert.errors import Disagreement
from convert.model import Evidence, Side, Verdict
from tablebases.values import AUTOMATIC_DRAW_PLIES, CLAIM_PLIES, Outcome

#: From this difference (expected points) an estimate is made to agree with those of the moves.
AGREES_WITHIN = 0.15

_STRENGTH = {evidence: rank for rank, evidence in enumerate(Evidence)}
_NO_DISTANCE = 999

Move = tuple[chess.Move, Verdict | None]


@dataclass(frozen=True)
class Kept:
    """The legal moves of a position with what each keeps, and the position by its moves.

    ``moves`` in the order of :func:`ordered`; all verdicts are for the side to move.  ``verdict``
    is None where nothing is known.
    """

    moves: tuple[Move, ...]
    verdict: Verdict | None


def only_move(board: chess.Board) -> chess.Move | None:
    """The legal move where there is exactly one."""
    found = list(islice(board.generate_legal_moves(), 2))
    return found[0] if len(found) == 1 else None


def over_by_clock(board: chess.Board) -> bool:
    """Is the game drawn by the seventy-five-move rule (9.6.2), unless this is mate?"""
    return board.halfmove_clock >= AUTOMATIC_DRAW_PLIES


def may_claim(board: chess.Board) -> bool:
    """May the side to move claim a draw by the fifty-move rule, or announce a move that lets it?

    FIDE Laws of Chess, 9.3: after a hundred plies without a capture or pawn move, or with a move
    that makes it so.
    """
    if board.halfmove_clock >= CLAIM_PLIES:
        return True
    return board.halfmove_clock == CLAIM_PLIES - 1 and any(
        not board.is_zeroing(move) for move in board.generate_legal_moves()
    )


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


def narrowed(
    fen: str, first: str, have: Verdict | None, second: str, new: Verdict
) -> Verdict:
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
    return Verdict(
        have.side, low, high, evidence, via=() if rests is Evidence.SOLVED else via
    )


def claimed(have: Verdict, new: Verdict) -> bool:
    """Do the Laws give the side to move the draw where the other verdict is a blessed loss?"""
    return (
        (have.low, have.high, have.evidence) == (Outcome.DRAW, Outcome.WIN, Evidence.RULES)
        and new.high is Outcome.BLESSED_LOSS
    )


# --- a position and its moves ---------------------------------------------------------------


def ordered(board: chess.Board, moves: Iterable[Move]) -> tuple[Move, ...]:
    """The best move first: by result, then by chances, the way, the squares.

    The shortest way (plies to the next capture, pawn move or mate) comes first where the move
    wins, the longest where it loses.  The order is the same for both colours.
    """
    flip = 0 if board.turn else 56

    def order(item: Move) -> tuple[float, ...]:
        move, verdict = item
        squares = (move.from_square ^ flip, move.to_square ^ flip, -(move.promotion or 0))
        if verdict is None:
            return (1, -1, 0.5, 0, *squares)
        way = _NO_DISTANCE if verdict.distance is None else verdict.distance
        sign = -1 if verdict.high.points < 0 else 1
        return (
            -verdict.low.points, -verdict.high.points, -verdict.expected, sign * way, *squares,
        )  # fmt: skip

    return tuple(sorted(moves, key=order))


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


def backed_up(
    board: chess.Board, own: Verdict | None, moves: Sequence[Move]
) -> Verdict | None:
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
    for told in (_at_least(board, low, moves), _at_most(board, high, moves)):
        if told is not None:
            second, part = told
            own = narrowed(board.fen(), (own and judge_word(own)) or "", own, second, part)
    return own


def _at_least(
    board: chess.Board, low: Outcome, moves: Sequence[Move]
) -> tuple[str, Verdict] | None:
    """Who shows that the side to move gets ``low`` or more; None where it is nothing."""
    if low is Outcome.LOSS:
        return None
    told = [(move, v) for move, v in moves if v is not None and v.low >= low]
    if not told:
        side = Side.of(board.turn)
        return "rules", Verdict(side, low, Outcome.WIN, Evidence.RULES)
    move, best = min(told, key=lambda item: _shows(*item))
    san = board.san(move)
    return _after(best, san), _part(best, low, Outcome.WIN, basis(best), san)


def _at_most(
    board: chess.Board, high: Outcome, moves: Sequence[Move]
) -> tuple[str, Verdict] | None:
    """Who shows that the side to move gets ``high`` at most; None where it is nothing."""
    told = [(move, v) for move, v in moves if v is not None]
    if high is Outcome.WIN or not told:
        return None
    move, best = max(told, key=lambda item: (item[1].high, *_shows(*item)))
    rests = weakest(v for _, v in told)
    return "those of the moves", _part(best, Outcome.LOSS, high, rests, board.san(move))


def _after(verdict: Verdict, san: str) -> str:
    return f"{judge_word(verdict)} (after {san})"


def _shows(move: chess.Move, verdict: Verdict) -> tuple[int, ...]:
    """Which of equal moves shows best what is proved: strong evidence, a short line."""
    return (
        _STRENGTH[basis(verdict)],
        len(verdict.via),
        _NO_DISTANCE if verdict.distance is None else verdict.distance,
        int(move.promotion not in (None, chess.QUEEN)),
        move.from_square,
        move.to_square,
    )


def _part(told: Verdict, low: Outcome, high: Outcome, rests: Evidence, san: str) -> Verdict:
    """One end of an interval, proved by a move that leads to ``told``."""
    exact = low.points == high.points
    return Verdict(
        told.side,
        low,
        high,
        rests if exact or rests is Evidence.RULES else Evidence.BOUNDED,
        via=() if rests is Evidence.SOLVED else (san, *told.via),
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
    found = narrowed(board.fen(), judge_word(own), own, _after(after, san), part)
    if found.exact or own.win is None:
        return found
    return with_chances(found, own.win_probability, own.loss_probability, own.measured)


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
    told = verdict.measured if measured is None else measured
    return replace(
        verdict, win=round(win / total, 4), loss=round(loss / total, 4), measured=told
    )
