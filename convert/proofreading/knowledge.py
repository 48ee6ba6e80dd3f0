"""What is known for certain of a position and of its moves; estimates never count.

Everything here is told for the side to move unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import chess

from convert.judging.judges import Bench, after_move
from convert.judging.keeping import raised
from convert.judging.lines import best_line, line_after, via_line
from convert.model import Evidence, Line, Side, Verdict, move_label
from convert.wording.verdicts import evidence_word, outcome_words
from tablebases.values import Outcome

#: A position is looked at through its moves up to so many men more than the tables hold.
MORE_MEN = 4

_ALL = (-1, 1)


def known(bench: Bench, board: chess.Board) -> Verdict | None:
    """The strongest certain verdict, for the side to move; None where nothing is certain.

    Where the board is not full, each move is settled as a position of its own.
    """
    if board.occupied.bit_count() > bench.largest + MORE_MEN:
        return bench.settle(board)
    return bench.kept(board).verdict


def interval(verdict: Verdict | None, side: Side) -> tuple[int, int]:
    """Least and best result still possible, in points for ``side``."""
    if verdict is None:
        return _ALL
    for_side = verdict.for_side(side)
    return for_side.low.points, for_side.high.points


def words(verdict: Verdict) -> str:
    """What is certain, as a clause with its evidence: ``White wins (table)``."""
    if verdict.exact:
        return f"{outcome_words(verdict)} ({evidence_word(verdict)})"
    if verdict.evidence is Evidence.TABLE and not verdict.via:
        winner = verdict.side if verdict.high.points > 0 else verdict.side.other
        return (
            f"{winner.name_} wins or it is drawn by the fifty-move rule: the table rounds (table)"
        )
    how = "rules" if verdict.evidence is Evidence.RULES else "proved in part"
    safe = verdict.side if verdict.low.points == 0 else verdict.side.other
    return f"{safe.name_} cannot lose ({how})"


def show(bench: Bench, board: chess.Board) -> Line | None:
    """Moves that show what is certain of the position; None where there are none to show."""
    line = best_line(bench, board)
    return line if line is not None else via_line(board, known(bench, board))


@dataclass(frozen=True)
class BoundedMove:
    """A legal move, and the least and best result that it still may lead to, for its player."""

    move: chess.Move
    label: str
    low: int
    high: int
    verdict: Verdict | None


@dataclass(frozen=True)
class MoveFacts:
    """A move, the position before it and the other moves, all for the player of the move.

    ``low`` and ``high`` tell the position before the move, ``played`` the move.
    """

    side: Side
    board: chess.Board
    before: Verdict | None
    low: int
    high: int
    played: BoundedMove
    others: tuple[BoundedMove, ...]

    @property
    def costs(self) -> bool:
        """For certain the result after the move is worse than before it."""
        return self.played.high < self.low

    @property
    def keeps(self) -> bool:
        """For certain the result after the move is no worse than before it."""
        return self.played.low >= self.high


def options(bench: Bench, board: chess.Board) -> tuple[BoundedMove, ...]:
    """All legal moves with what is certain of each, best first."""
    side = Side.of(board.turn)
    return tuple(_option(board, side, move, verdict) for move, verdict in bench.kept(board).moves)


def _option(
    board: chess.Board, side: Side, move: chess.Move, verdict: Verdict | None
) -> BoundedMove:
    low, high = interval(verdict, side)
    label = move_label(board.fullmove_number, side, board.san(move))
    return BoundedMove(move, label, low, high, verdict.for_side(side) if verdict else None)


def facts(bench: Bench, board: chess.Board, move: chess.Move) -> MoveFacts:
    """What is certain of a move and of its alternatives."""
    side = Side.of(board.turn)
    played = _option(board, side, move, known(bench, after_move(board, move)))
    others = tuple(option for option in options(bench, board) if option.move != move)
    before = known(bench, board)
    low, high = interval(before, side)
    if played.verdict is not None and played.low > low:
        # The move itself is one way to play: the position is worth no less.
        own = before or Verdict(side, Outcome.LOSS, Outcome.WIN, Evidence.ESTIMATE)
        before = raised(board, own, board.san(move), played.verdict)
        low, high = interval(before, side)
    return MoveFacts(side, board, before, low, high, played, others)


def best_of(among: list[BoundedMove]) -> BoundedMove:
    """The option to name first: the first of those that surely get most."""
    return max(among, key=lambda option: option.low)


def line_of(bench: Bench, board: chess.Board, option: BoundedMove) -> Line | None:
    """An option with best play after it."""
    return line_after(bench, board, option.move)
