"""What was proved of a position and its neighbours, asked of the kept slices."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import chess

from tablebases.errors import Contradiction
from tablebases.solver import kernels
from tablebases.solver.budget import Cost
from tablebases.solver.sets import Place, Sets, can_solve, framed, locate, parts_of, place_of
from tablebases.solver.structures import LOWER, UPPER
from tablebases.values import Answer, Distance, Outcome, outcome_under_clock

_MATE: Final = -1
"""Distance of a side that is mated, as in the tables."""


class Solution:
    """What was proved of a position and of those one legal move later.

    Every answer is for the side to move of the board asked about.
    """

    def __init__(self, sets: Sets, cost: Cost):
        self._sets = sets
        self.cost = cost
        self._gathered: dict[tuple[Place, chess.Color], tuple[int, int, int | None]] = {}

    def covers(self, board: chess.Board) -> bool:
        """Is something kept about this position's slice?"""
        if not can_solve(board):
            return False
        parts = list(parts_of(board))
        return any(
            all(self._sets.has(mode, framed(part, colour)) for part in parts)
            for colour in chess.COLORS
            for mode in (LOWER, UPPER)
        )

    def gather(self, boards: Iterable[chess.Board]) -> None:
        """Look all positions up beforehand, slice by slice, and remember what is known of them.

        Slices are large, and a game's positions come back to the same ones again and again:
        asked one by one, each might be opened as often.
        """
        places = {place_of(b): b for b in boards if can_solve(b)}
        for colour in chess.COLORS:
            views = {at: framed(b, colour) for at, b in places.items()}
            self._sets.look_up(views.values())
            for at, view in views.items():
                self._gathered[at, colour] = self._between(self._sets.value(LOWER, view), view)

    def remember(self, earlier: Solution) -> None:
        """Remember what another solution over the same sets has gathered, where this has not."""
        if earlier is not self:
            self._gathered = {**earlier._gathered, **self._gathered}

    def interval(self, board: chess.Board) -> tuple[Outcome, Outcome]:
        """Worst and best outcome still possible, with the halfmove clock taken as 0.

        Raises:
            Contradiction: if two bounds exclude each other.
        """
        if board.is_checkmate():
            return Outcome.LOSS, Outcome.LOSS
        own, other = self._wins(board, board.turn), self._wins(board, not board.turn)
        return _between(own, other, board)

    def intervals(self, boards: Sequence[chess.Board]) -> list[tuple[Outcome, Outcome]]:
        """``interval`` of each board; much faster than one by one where slices are large.

        Each slice is opened once, however the boards are ordered.
        """
        found = Solution(self._sets, self.cost)
        found.gather(boards)
        return [found.interval(board) for board in boards]

    def _wins(self, board: chess.Board, colour: chess.Color) -> tuple[int, int, int | None]:
        """Least and most that ``colour`` wins (0 to 2), and the plies of the least if known."""
        if self._gathered:
            known = self._gathered.get((place_of(board), colour))
            if known is not None:
                return known
        view = framed(board, colour)
        return self._between(self._sets.value(LOWER, view), view)

    def _between(
        self, lower: tuple[int, int | None] | None, view: chess.Board
    ) -> tuple[int, int, int | None]:
        """What ``_wins`` gives, from what is known at least."""
        low, plies = lower if lower is not None else (0, None)
        upper = self._sets.value(UPPER, view)
        high = int(Outcome.WIN) if upper is None else upper[0]
        if high < low:
            raise Contradiction(
                view.fen(),
                ("the solver's lower bound", "the solver's upper bound"),
                (f"White has at least a {Outcome(low).word}", f"at most a {Outcome(high).word}"),
            )
        return low, high, plies

    def is_open(self, board: chess.Board, colour: chess.Color) -> bool:
        """Is it open whether ``colour`` wins under the fifty-move rule?"""
        low, high, _ = self._wins(board, colour)
        return low < high == Outcome.WIN and not self._wins(board, not colour)[0]

    def exact(self, board: chess.Board) -> bool:
        """Is the slice known exactly for both colours, so that distances are exact as well?"""
        return all(
            self._sets.complete(locate(framed(b, colour))[0])
            for colour in chess.COLORS
            for b in parts_of(board)
        )

    def distance(self, board: chess.Board) -> Distance | None:
        """Distance to the next zeroing move or mate in plies; None unless known exactly."""
        if board.is_checkmate():
            return Distance(_MATE)
        if not self.exact(board):
            return None
        for colour, sign in ((board.turn, 1), (not board.turn, -1)):
            level, _, plies = self._wins(board, colour)
            if level:
                return Distance(sign * plies) if plies else None
        return Distance(0)

    def bound(self, board: chess.Board) -> int | None:
        """Plies in which the winning side can surely force a zeroing move or mate."""
        for colour in chess.COLORS:
            level, _, plies = self._wins(board, colour)
            if level:
                return plies
        return None

    def answer(self, board: chess.Board) -> Answer | None:
        """Outcome under the fifty-move rule with the board's clock; None if nothing is known."""
        if not self.covers(board):
            return None
        low, high = self.interval(board)
        if (low, high) == (Outcome.LOSS, Outcome.WIN):
            return None
        distance = self.distance(board)
        clock = board.halfmove_clock
        if board.is_checkmate() or clock == 0:
            return Answer(low, high, distance)
        if distance is not None and low == high:
            return Answer(*outcome_under_clock(low, distance, clock), distance)
        # A proved win holds if the proof's own way is quick enough, else it may be cursed.
        plies = self.bound(board)
        in_time = plies is not None and plies + clock <= kernels.LAST_TRUE_PLY
        if low is Outcome.WIN and not in_time:
            low = Outcome.CURSED_WIN
        if high is Outcome.LOSS and not in_time:
            high = Outcome.BLESSED_LOSS
        return Answer(low, high, None)

    def best_moves(self, board: chess.Board) -> list[chess.Move]:
        """Moves that keep the outcome, quickest win or longest defence first where known.

        Only moves whose outcome is settled are given.
        """
        if not any(board.generate_legal_moves()):
            return []
        rated = []
        for move in board.legal_moves:
            child = board.copy(stack=False)
            child.push(move)
            low, high = self.interval(child)
            if low.points != high.points:
                continue
            rated.append((-high.value, self._order(board, move, child), move))
        if not rated:
            return []
        best = max(value for value, _, _ in rated)
        if best < self.interval(board)[0]:
            # The move that keeps the outcome leads to a slice that is not kept.
            return []
        return [m for v, o, m in sorted(rated, key=lambda r: r[1]) if v == best]

    def _order(self, board: chess.Board, move: chess.Move, child: chess.Board) -> tuple[int, str]:
        distance = self.distance(child)
        plies = abs(distance.plies) if distance is not None else 0
        if distance is not None and distance.plies == _MATE:
            plies = 0
        elif distance is not None and board.is_zeroing(move):
            plies = 1 if distance.plies else 0
        low, _ = self.interval(child)
        return (plies if low < 0 else -plies), move.uci()

    def line(self, board: chess.Board, plies: int = 40) -> list[chess.Move]:
        """Best play to the next capture, pawn move or mate; by the proof's way where no better.

        Empty unless one side wins. It ends before the zeroing move if the slices that such moves
        lead to are not kept.
        """
        work = board.copy(stack=False)
        moves: list[chess.Move] = []
        while len(moves) < plies:
            low, high = self.interval(work)
            if low != high or low == Outcome.DRAW:
                break
            chosen: tuple[tuple[int, bool, str], chess.Move] | None = None
            for move in work.legal_moves:
                zeroing = work.is_zeroing(move)
                child = work.copy(stack=False)
                child.push(move)
                if self.interval(child) != (-low, -low):
                    continue
                length = 0 if child.is_checkmate() or zeroing else self.bound(child)
                if length is None:
                    continue
                under = move.promotion not in (None, chess.QUEEN)
                order = (length if low > 0 else -length, under, move.uci())
                if chosen is None or order < chosen[0]:
                    chosen = order, move
            own = self.bound(work)
            if chosen is None or (low > 0 and own == 1 and chosen[0][0] != 0):
                break
            move = chosen[1]
            zeroing = work.is_zeroing(move)
            moves.append(move)
            work.push(move)
            if zeroing or work.is_checkmate():
                break
        return moves


def _between(
    own: tuple[int, int, int | None], other: tuple[int, int, int | None], board: chess.Board
) -> tuple[Outcome, Outcome]:
    """The interval from what the side to move wins (least, most) and what the other side wins.

    Raises:
        Contradiction: if both are said to win.
    """
    if own[0] and other[0]:
        raise Contradiction(
            board.fen(),
            ("the solver's sets for the side to move", "those for the other side"),
            (f"at least a {Outcome(own[0]).word}", f"at least a {Outcome(other[0]).word}"),
        )
    low = own[0] if own[0] else -other[1]
    high = -other[0] if other[0] else own[1]
    return Outcome(low), Outcome(high)
