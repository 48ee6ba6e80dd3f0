"""What is known for certain of a position and of its moves; estimates never count.

Everything here is told for the side to move unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import chess

from convert.judge import Bench, after_move
from convert.lines import best_line, line_after
from convert.model import Evidence, Line, Side, Verdict, move_label
from convert.wording import evidence_word, outcome_words
from tablebases.values import Outcome

#: A position is looked at through its moves up to so many men more than the tables hold.
MORE_MEN = 4

_ORDER = list(Evidence)
_ALL = (-1, 1)


def known(bench: Bench, board: chess.Board) -> Verdict | None:
    """The strongest certain verdict, for the side to move; None where nothing is certain.

    Where judges leave the position open, what they say of the positions after its moves is used
    too: the side to move has the best of them, and no more.
    """
    settled = bench.settle(board)
    if settled is not None and (settled.exact or settled.rounded):
        return settled
    if board.occupied.bit_count() > bench.largest + MORE_MEN:
        return settled
    children = [(move, v) for move, v in bench.children(board) if v is not None]
    if not children:
        return settled
    low, high = (settled.low, settled.high) if settled else (Outcome.LOSS, Outcome.WIN)
    move, best = max(children, key=lambda item: item[1].low)
    used = []
    if best.low > low:
        low = best.low
        used.append(best)
    top = max(v.high for _, v in children)
    if len(children) == board.legal_moves.count() and top < high:
        high = top
        used += [v for _, v in children]
    if not used or low > high:
        return settled
    if settled is not None:
        used.append(settled)
    solved = any(v.evidence is Evidence.SOLVED or _solver_bound(v) for v in used)
    exact = low.points == high.points
    evidence = (
        (Evidence.SOLVED if solved else Evidence.TABLE) if exact else Evidence.BOUNDED
    )
    via = (board.san(move), *best.via) if best in used else ()
    if exact and not via:
        via = (board.san(move),)
    return Verdict(Side.of(board.turn), low, high, evidence, via=() if solved else via)


def _solver_bound(verdict: Verdict) -> bool:
    return verdict.evidence is Evidence.BOUNDED and not verdict.via


def interval(verdict: Verdict | None, side: Side) -> tuple[int, int]:
    """Least and best result still possible, in points for ``side``."""
    if verdict is None:
        return _ALL
    told = verdict.for_side(side)
    return told.low.points, told.high.points


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
    found = best_line(bench, board)
    if found is not None:
        return found
    settled = known(bench, board)
    if settled is not None and settled.via:
        return Line(board.fen(), settled.via, "into the tables")
    return None


@dataclass(frozen=True)
class Option:
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
    played: Option
    others: tuple[Option, ...]

    @property
    def costs(self) -> bool:
        """For certain the result after the move is worse than before it."""
        return self.played.high < self.low

    @property
    def keeps(self) -> bool:
        """For certain the result after the move is no worse than before it."""
        return self.played.low >= self.high


def options(bench: Bench, board: chess.Board) -> tuple[Option, ...]:
    """All legal moves with what is certain of each, in a fixed order."""
    side = Side.of(board.turn)
    out = []
    for move in sorted(board.legal_moves, key=lambda m: m.uci()):
        out.append(_option(board, side, move, bench.after(board, move)))
    return tuple(out)


def _option(
    board: chess.Board, side: Side, move: chess.Move, verdict: Verdict | None
) -> Option:
    low, high = interval(verdict, side)
    label = move_label(board.fullmove_number, side, board.san(move))
    return Option(move, label, low, high, verdict.for_side(side) if verdict else None)


def facts(bench: Bench, board: chess.Board, move: chess.Move) -> MoveFacts:
    """What is certain of a move and of its alternatives."""
    side = Side.of(board.turn)
    played = _option(board, side, move, known(bench, after_move(board, move)))
    others = tuple(option for option in options(bench, board) if option.move != move)
    before = known(bench, board)
    low, high = interval(before, side)
    if played.verdict is not None and played.low > low:
        # The move itself is one way to play: the position is worth no less.
        before = _at_least(before, played.verdict, board.san(move))
        low, high = interval(before, side)
    return MoveFacts(side, board, before, low, high, played, others)


def _at_least(before: Verdict | None, after: Verdict, san: str) -> Verdict:
    """The verdict before a move that leads to ``after``; both for its player."""
    high = before.high if before is not None else Outcome.WIN
    high = max(high, after.low)
    exact = after.low.points == high.points
    evidence = after.evidence if exact and after.exact else Evidence.BOUNDED
    return Verdict(after.side, after.low, high, evidence, via=(san, *after.via))


def best_of(found: list[Option]) -> Option:
    """The option to name first: that with the best result, then the shortest known way."""

    def order(option: Option) -> tuple[int, int, str]:
        verdict = option.verdict
        way = verdict.distance if verdict is not None and verdict.distance is not None else 999
        return (-option.low, way, option.label)

    return min(found, key=order)


def line_of(bench: Bench, board: chess.Board, option: Option) -> Line | None:
    """An option with best play after it."""
    return line_after(bench, board, option.move)
