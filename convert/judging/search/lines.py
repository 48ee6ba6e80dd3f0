"""Short proofs: lines into exact leaves that settle a position, whatever the reply.

The compiled ``forced`` asks of both sides whether they win, or do not lose, ever deeper. What it
shows is gone through again with the legal moves of python-chess, the clock as it stands, and the
tables at the end of every line; only that is told.
"""

from __future__ import annotations

from typing import Final

import chess

from convert.judging.laws import claim_is_near
from convert.judging.proof import LineProof
from convert.judging.search.front import Search, _bits, _Worker
from tablebases.probing import Prober
from tablebases.values import Outcome

__all__ = ["LineProver"]

_Line = tuple[chess.Move, ...]
#: A second look at a position of a line may look at so many positions.
_AGAIN: Final = 4


class _Limit(Exception):
    """More positions would have to be gone through than are allowed."""


class LineProver:
    """Proves by lines into the tables.

    Args:
        search: whose exact leaves are used.
        prober: exact answers for the ends of lines.
        positions: looked at for one position in all.
        checked: positions that are gone through again for one proof.
        slack: moves of a line that take nothing.
    """

    def __init__(
        self, search: Search, prober: Prober, *, positions: int, checked: int, slack: int
    ) -> None:
        self.worker = _Worker(search, _bits(positions))
        self.prober, self.men = prober, search.leaves.men
        self.positions, self.checked, self.slack = positions, checked, slack
        self._left = 0
        self._seen: dict[tuple[object, ...], _Line | None] = {}

    def prove(self, board: chess.Board) -> LineProof:
        """What is proved of the position: win, draw or loss under the fifty-move rule.

        Sound whatever the limits: where they end it early the interval is only wider.
        """
        over = board.occupied.bit_count() - self.men
        low, high, used = Outcome.LOSS, Outcome.WIN, 0
        line: _Line = ()
        self.worker.forget()
        self.worker.state["killers"][:] = 0
        us, them = board.turn, not board.turn
        for extra in range(self.slack + 1):
            depth = max(over, 0) + extra
            for who, goal in ((us, 1), (them, 1), (us, 0), (them, 0)):
                if not goal and (low if who == us else high) == Outcome.DRAW:
                    continue
                shown, looked = self._shown(board, who, goal, depth, self.positions - used)
                used += looked
                if shown is None:
                    continue
                if goal:
                    result = Outcome.WIN if who == us else Outcome.LOSS
                    return LineProof(result, result, shown, used)
                if who == us:
                    low, line = Outcome.DRAW, shown
                else:
                    high, line = Outcome.DRAW, line or shown
            if low == high or used >= self.positions:
                break
        return LineProof(low, high, line, used)

    def _shown(
        self, board: chess.Board, who: chess.Color, goal: int, depth: int, limit: int
    ) -> tuple[_Line | None, int]:
        """A line, where it is proved that a side wins, or does not lose; positions looked at."""
        if limit < 1:
            return None, 0
        self.worker.put(board)
        holds = self._ask(who, goal, depth, limit)
        looked = int(self.worker.state["nodes"])
        if not holds:
            return None, looked
        self._left, self._seen = self.checked, {}
        try:
            return self._line(board.copy(stack=False), who, goal, depth), looked
        except _Limit:
            return None, looked

    def _ask(self, who: chess.Color, goal: int, depth: int, limit: int) -> bool:
        code, worker = self.worker.code, self.worker
        leaves = worker.leaves
        return bool(
            code.forced.forced(
                worker.state,
                depth,
                goal,
                int(not who),
                limit,
                worker.table,
                leaves.heads,
                leaves.pool,
            )
        )

    def _line(self, board: chess.Board, who: chess.Color, goal: int, depth: int) -> _Line | None:
        """The line from here, if it holds against every reply; else None.

        Raises:
            _Limit: see there.
        """
        key = (board._transposition_key(), board.halfmove_clock, depth)
        if key not in self._seen:
            self._left -= 1
            if self._left < 0:
                raise _Limit
            self._seen[key] = self._verified(board, who, goal, depth)
        return self._seen[key]

    def _verified(
        self, board: chess.Board, who: chess.Color, goal: int, depth: int
    ) -> _Line | None:
        attacks = board.turn == who
        if board.occupied.bit_count() <= self.men:
            answer = self.prober.outcome_or_none(board)
            if answer is not None:
                worst = answer.low.points if attacks else -answer.high.points
                return () if worst >= goal else None
        moves = sorted(board.legal_moves, key=chess.Move.uci)
        if not moves:
            worth = 0 if not board.is_check() else -1 if attacks else 1
            return () if worth >= goal else None
        if depth <= 0 or claim_is_near(board):
            return None
        if attacks:
            self.worker.put(board)
            if not self._ask(who, goal, depth, _AGAIN * self.positions):
                return None
            move = self.worker.moves([self.worker.state["line"][0, 0]])[0]
            if move not in moves:
                return None
            below = self._after(board, move, who, goal, depth)
            return None if below is None else (move, *below)
        longest: _Line = ()
        for move in moves:
            below = self._after(board, move, who, goal, depth)
            if below is None:
                return None
            if len(below) + 1 > len(longest):
                longest = (move, *below)
        return longest

    def _after(
        self, board: chess.Board, move: chess.Move, who: chess.Color, goal: int, depth: int
    ) -> _Line | None:
        board.push(move)
        try:
            return self._line(board, who, goal, depth - 1)
        finally:
            board.pop()
