"""From a position to a task: is there a question in it whose answer is certain and unique?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import chess

from convert.board.activity import static_exchange
from convert.judging.judges import Bench, after_move
from convert.judging.keeping import seen
from convert.judging.laws import ended
from convert.lesson.plausible import PAWN, Option, elementary, hopeless, weigh
from convert.model import Verdict
from convert.model.lesson import Task
from tablebases.values import Outcome

#: Where more moves keep the result, the question "which move" has no answer nearly unique.
MOST_KEEP = 2


@dataclass(frozen=True)
class Candidate:
    """A position that may hold an exercise.

    ``board`` has its clock at 0 and its move number at 1, no castling rights and no capture
    en passant.  ``taken``: the square of the capture just made, None if there was none or it is
    not known.  ``played``: what was played in the game; ``group``: the same for positions of one
    game; ``ply`` its place in it.  ``task``: the task asked for, None takes the best.
    """

    board: chess.Board
    source: str = ""
    group: str = ""
    ply: int = 0
    taken: chess.Square | None = None
    played: chess.Move | None = None
    tags: dict[str, str] = field(default_factory=dict)
    task: Task | None = None
    result_too: bool = True


@dataclass(frozen=True)
class Draft:
    """A question with its certain answer, before words and twin.

    ``keep`` and ``fail`` are all legal moves, by whether they reach ``verdict``; ``key`` is the
    move shown (None where the side to move loses); ``asked`` the trade the question is about.
    Past proof ``searched`` positions were looked at, the verdicts are estimates, ``aim`` is the
    result that is played for, and ``lines`` are those that the search found for each move.
    """

    candidate: Candidate
    task: Task
    verdict: Verdict
    keep: tuple[Option, ...]
    fail: tuple[Option, ...]
    key: chess.Move | None
    asked: chess.Move | None
    aim: int | None = None
    searched: int = 0
    lines: Mapping[chess.Move, tuple[chess.Move, ...]] = field(default_factory=dict, compare=False)

    @property
    def board(self) -> chess.Board:
        """The position."""
        return self.candidate.board

    @property
    def points(self) -> int:
        """The result for the side to move: 1, 0 or -1."""
        return self.aim if self.aim is not None else self.verdict.points or 0

    @property
    def tempting(self) -> tuple[Option, ...]:
        """Plausible moves that fail, the most tempting first."""
        board = self.board
        tempting_moves = [o for o in self.fail if o.plausible]
        played = self.candidate.played

        def order(o: Option) -> tuple[object, ...]:
            return (
                o.move != self.asked,
                o.move != played,
                not o.trade,
                -len(o.impulses),
                *seen(board, o.move),
            )

        return tuple(sorted(tempting_moves, key=order))


def plain(board: chess.Board) -> chess.Board | None:
    """The position as a diagram shows it: clock 0, move 1; None where rights do not show."""
    if board.castling_rights or board.has_legal_en_passant() or not board.is_valid():
        return None
    copy = board.copy(stack=False)
    copy.ep_square = None
    copy.halfmove_clock, copy.fullmove_number = 0, 1
    return copy


def options(bench: Bench, board: chess.Board) -> tuple[Verdict, list[Option]] | None:
    """The certain result and every legal move; None unless all of it is certain.

    A draw by the fifty-move rule alone is left to longer work than an exercise.
    """
    settled = bench.settle(board)
    if settled is None or not settled.exact or settled.low in _BY_CLOCK:
        return None
    choices = bench.kept(board)
    known = [
        (move, verdict) for move, verdict in choices.moves if verdict is not None and verdict.exact
    ]
    if not known or len(known) < len(choices.moves):
        return None
    assert choices.verdict is not None
    return choices.verdict, weigh(board, known)


_BY_CLOCK = (Outcome.CURSED_WIN, Outcome.BLESSED_LOSS)


def draft(bench: Bench, candidate: Candidate) -> Draft | None:
    """The exercise that the position holds; None if there is none.

    ``bench`` must have been prepared for the position where the solver is needed.
    """
    board = candidate.board
    if candidate.task is None and (
        elementary(board) or hopeless(board) or board.legal_moves.count() < 3
    ):
        return None
    judged = options(bench, board)
    if judged is None:
        return None
    verdict, weighed = judged
    points = verdict.points or 0
    keep = [o for o in weighed if o.verdict.points == points]
    fail = [o for o in weighed if o.verdict.points != points]
    if candidate.task is None and _trivial(board, keep, points):
        return None
    tasks = [candidate.task] if candidate.task else list(_MAKERS)
    if points < 0:
        tasks = [task for task in tasks if task is Task.RESULT]
    for task in tasks:
        made = _MAKERS[task](candidate, verdict, keep, fail)
        if made is not None and (candidate.task is not None or _can_be_shown(bench, made)):
            return made
    return None


def best_task(
    candidate: Candidate, verdict: Verdict, keep: list[Option], fail: list[Option]
) -> Draft | None:
    """The question about moves that a position holds, whatever stands behind the options.

    None where there is none, or where something hangs that may simply be taken.
    """
    if _trivial(candidate.board, keep, 0):
        return None
    for task in (Task.RECAPTURE, Task.TRADE, Task.REFUSE, Task.ONLY):
        made = _MAKERS[task](candidate, verdict, keep, fail)
        if made is not None:
            return made
    return None


def _can_be_shown(bench: Bench, made: Draft) -> bool:
    """Is a way to the win known, not only that there is one?"""
    if made.points > 0 and made.key is not None:
        child = after_move(made.board, made.key)
        return ended(child) is not None or bench.way(child) is not None
    return made.points == 0 or bench.way(made.board) is not None


def _trivial(board: chess.Board, keep: list[Option], points: int) -> bool:
    """Mate or a new queen at once, or something that hangs and may simply be taken."""
    if points < 0:
        return False
    for option in keep:
        if after_move(board, option.move).is_checkmate():
            return True
        if option.move.promotion and option.plausible:
            return True
        if not board.is_capture(option.move):
            continue
        gain = static_exchange(board, option.move)
        if gain >= (2 * PAWN if option.trade else PAWN) and option.net > 0:
            return True
    return False


def _trades_first(moves: list[Option]) -> list[Option]:
    """The move to show first: a trade, then as :mod:`convert.judging.keeping` orders them."""
    return sorted(moves, key=lambda o: not o.trade)


def _make(
    candidate: Candidate,
    task: Task,
    verdict: Verdict,
    keep: list[Option],
    fail: list[Option],
    asked: chess.Move | None = None,
) -> Draft:
    keep = _trades_first(keep)
    if asked is not None:
        keep.sort(key=lambda o: o.move != asked)
    key = keep[0].move if keep and (verdict.points or 0) >= 0 else None
    return Draft(candidate, task, verdict, tuple(keep), tuple(fail), key, asked)


def _recapture(
    candidate: Candidate, verdict: Verdict, keep: list[Option], fail: list[Option]
) -> Draft | None:
    board = candidate.board
    squares = {o.move.to_square for o in keep if board.is_capture(o.move)}
    if len(squares) != 1 or len(keep) > MOST_KEEP:
        return None
    square = squares.pop()
    if candidate.taken is not None and candidate.taken != square:
        return None
    if candidate.taken is None and candidate.task is None and candidate.group:
        return None  # in a game it is known that nothing was taken there
    if any(o.move.to_square != square or not board.is_capture(o.move) for o in keep):
        return None
    if len({o.move.from_square for o in keep}) != 1:
        return None
    others = [
        o for o in fail if o.move.to_square == square and o.plausible and board.is_capture(o.move)
    ]
    if not others:
        return None
    return _make(candidate, Task.RECAPTURE, verdict, keep, fail)


def _trade(
    candidate: Candidate, verdict: Verdict, keep: list[Option], fail: list[Option]
) -> Draft | None:
    if len(keep) > MOST_KEEP or not all(o.trade or o.offer for o in keep):
        return None
    if (
        candidate.taken is not None
        and candidate.task is None
        and all(o.move.to_square == candidate.taken for o in keep)
    ):
        return None  # simply taking back
    if not any(o.plausible and not o.trade for o in fail):
        return None
    return _make(candidate, Task.TRADE, verdict, keep, fail, _trades_first(keep)[0].move)


def _refuse(
    candidate: Candidate, verdict: Verdict, keep: list[Option], fail: list[Option]
) -> Draft | None:
    board = candidate.board
    spoils = [o for o in fail if (o.trade or o.offer) and o.plausible]
    if candidate.task is None:
        spoils = [o for o in spoils if not o.trade or static_exchange(board, o.move) >= 0]
        if candidate.taken is not None:
            spoils = [o for o in spoils if o.move.to_square != candidate.taken]
        if any(o.trade or o.offer for o in keep):
            return None  # the question would be which trade
        if not any(o.plausible for o in keep):
            return None
        if 2 * len(keep) > len(keep) + len(fail) and len(spoils) > 1:
            return None
    if not spoils or not keep:
        return None
    played = candidate.played
    spoils.sort(
        key=lambda o: (
            not o.trade,
            o.move != played,
            board.piece_type_at(o.move.from_square) == chess.PAWN,
            *seen(board, o.move),
        )
    )
    first = spoils[0]
    if candidate.task is None and not first.trade and len(spoils) > 1:
        return None
    draft_ = _make(candidate, Task.REFUSE, verdict, keep, fail)
    return Draft(candidate, Task.REFUSE, verdict, draft_.keep, draft_.fail, draft_.key, first.move)


def _only(
    candidate: Candidate, verdict: Verdict, keep: list[Option], fail: list[Option]
) -> Draft | None:
    board = candidate.board
    if not keep or len(keep) > MOST_KEEP:
        return None
    if candidate.task is None:
        if len(keep) > 1 and len({o.move.from_square for o in keep}) > 1:
            return None
        tempting = sum(o.plausible for o in fail)
        if tempting < 1 + len(keep) or board.is_check():
            return None
        if any(board.is_capture(o.move) for o in keep):
            return None
        if candidate.taken is not None and any(o.move.to_square == candidate.taken for o in keep):
            return None
    return _make(candidate, Task.ONLY, verdict, keep, fail)


def _result(
    candidate: Candidate, verdict: Verdict, keep: list[Option], fail: list[Option]
) -> Draft | None:
    if candidate.task is None:
        if not candidate.result_too or candidate.board.is_check():
            return None
        if (
            keep
            and candidate.taken is not None
            and all(o.move.to_square == candidate.taken for o in keep)
        ):
            return None  # the answer is simply to take back
    return _make(candidate, Task.RESULT, verdict, keep, fail)


_MAKERS = {
    Task.RECAPTURE: _recapture,
    Task.TRADE: _trade,
    Task.REFUSE: _refuse,
    Task.ONLY: _only,
    Task.RESULT: _result,
}
