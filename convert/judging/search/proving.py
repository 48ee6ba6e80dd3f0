"""From what a search found to a proof that leaves nothing out.

The compiled search prunes, forgets clocks and may confuse two keys. So whatever is to be told as
proved is gone through once more with the rules of python-chess: at every turn of the side that
wins one move, at every turn of the other side all of them, down to mate or to positions that exact
tables answer with the clock as it stands there. The search only proposes the winner's moves.

No position occurs twice in a line of a proof. What was on the board before the position that is
given counts by its halfmove clock alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import chess

from convert.judging.search.front import POSITIONS, Found, Search, _bits, _Worker
from tablebases.probing import Prober
from tablebases.values import Outcome

__all__ = ["MOST_POSITIONS", "SearchProof", "prove"]

MOST_POSITIONS: Final = 2_000
"""Positions that a proof may go through, unless said otherwise."""
_FOR_A_MOVE: Final = POSITIONS // 4
"""Positions the search looks at to propose one move."""
_FIFTY: Final = 100
_MOST_PLIES: Final = 60


@dataclass(frozen=True)
class SearchProof:
    """That a side wins against every answer.

    Attributes:
        winner: the side that wins.
        line: the moves if the other side holds out as long as it can, in plies, to the end of
            what was gone through.
        mate: whether every line ends in mate; else some end in a position that a table answers.
        leaf: the position at the end of ``line``.
        positions: positions gone through, with the rules of python-chess.
        searched: positions that the compiled search looked at for it.
    """

    winner: chess.Color
    line: tuple[chess.Move, ...]
    mate: bool
    leaf: chess.Board
    positions: int
    searched: int

    @property
    def mate_in(self) -> int | None:
        """Moves within which the winner mates; None if not every line ends in mate."""
        return (len(self.line) + 1) // 2 if self.mate else None


@dataclass(frozen=True)
class _Won:
    """A position from which the winner wins: in so many plies at most, and how."""

    plies: int
    line: tuple[chess.Move, ...]
    mate: bool
    clock: int


class _Limit(Exception):
    """More positions would have to be gone through than are allowed."""


class _Prover:
    def __init__(
        self, search: Search, winner: chess.Color, prober: Prober | None, men: int, positions: int
    ) -> None:
        self.worker = _Worker(search, _bits(4 * _FOR_A_MOVE))
        self.worker.state["men"] = min(int(self.worker.state["men"]), men)
        self.winner, self.prober, self.men, self.limit = winner, prober, men, positions
        self.positions = self.searched = 0
        self.known: dict[object, _Won] = {}
        self.path: set[object] = set()

    def won(self, board: chess.Board, ply: int, hint: tuple[chess.Move, ...]) -> _Won | None:
        """The proof from here, None if this way there is none.

        Args:
            hint: moves that the search expects from here.

        Raises:
            _Limit: see there.
        """
        self.positions += 1
        if self.positions > self.limit:
            raise _Limit
        if board.is_checkmate():
            return None if board.turn == self.winner else _Won(0, (), True, board.halfmove_clock)
        key = board._transposition_key()
        if (
            board.halfmove_clock >= _FIFTY
            or board.is_insufficient_material()
            or ply >= _MOST_PLIES
            or key in self.path
            or not any(board.generate_legal_moves())
        ):
            return None
        if key in self.known:
            # What was proved holds for any smaller clock. With a larger one it might not, and a
            # second way from the same position could lead round in circles.
            known = self.known[key]
            return known if board.halfmove_clock <= known.clock else None
        if ply and self._table(board):
            return _Won(0, (), False, board.halfmove_clock)
        self.path.add(key)
        try:
            attacks = board.turn == self.winner
            result = self._attack(board, ply, hint) if attacks else self._defend(board, ply, hint)
        finally:
            self.path.discard(key)
        if result is not None:
            self.known[key] = result
        return result

    def _table(self, board: chess.Board) -> bool:
        """Does a table say that the winner wins, with the clock as it stands?"""
        if self.prober is None or board.occupied.bit_count() > self.men:
            return False
        answer = self.prober.outcome_or_none(board)
        if answer is None or answer.low != answer.high:
            return False
        return answer.low == (Outcome.WIN if board.turn == self.winner else Outcome.LOSS)

    def _attack(self, board: chess.Board, ply: int, hint: tuple[chess.Move, ...]) -> _Won | None:
        tried = hint[:1]
        for move in hint[:1]:
            won = self._after(board, move, ply, hint[1:])
            if won is not None:
                return won
        proposed = self._propose(board)
        if proposed.decided != 1 or not proposed.line or proposed.line[:1] == tried:
            return None
        return self._after(board, proposed.line[0], ply, proposed.line[1:])

    def _after(
        self, board: chess.Board, move: chess.Move, ply: int, hint: tuple[chess.Move, ...]
    ) -> _Won | None:
        if move not in board.legal_moves:
            return None
        clock = board.halfmove_clock
        board.push(move)
        try:
            won = self.won(board, ply + 1, hint)
        finally:
            board.pop()
        if won is None:
            return None
        return _Won(won.plies + 1, (move, *won.line), won.mate, clock)

    def _defend(self, board: chess.Board, ply: int, hint: tuple[chess.Move, ...]) -> _Won | None:
        longest: _Won | None = None
        mate = True
        moves = sorted(board.legal_moves, key=lambda move: (move not in hint[:1], move.uci()))
        for move in moves:
            won = self._after(board, move, ply, hint[1:] if move in hint[:1] else ())
            if won is None:
                return None
            mate = mate and won.mate
            if longest is None or won.plies > longest.plies:
                longest = won
        assert longest is not None  # there was a move
        return _Won(longest.plies, longest.line, mate, board.halfmove_clock)

    def _propose(self, board: chess.Board) -> Found:
        result = self.worker.search(board, _FOR_A_MOVE)
        self.searched += result.positions
        return result


def prove(
    board: chess.Board,
    search: Search,
    *,
    result: Found | None = None,
    prober: Prober | None = None,
    positions: int = MOST_POSITIONS,
) -> SearchProof | None:
    """Prove what a search says is decided, with nothing left out.

    Args:
        search: proposes the winner's moves.
        result: what it found here; searched for if None.
        prober: exact answers for the ends of lines; without one all lines must end in mate.
        positions: positions that may be gone through; bounds the work.

    Returns:
        The proof; None if the search does not take the position for decided, or if what it took
        for decided could not be proved within ``positions``. That is no proof of the contrary.

    Raises:
        ValueError: if the position is not legal.
    """
    result = search.search(board) if result is None else result
    if result.decided is None:
        return None
    winner = board.turn if result.decided == 1 else not board.turn
    men = search.leaves.men if prober is not None else 0
    prover = _Prover(search, winner, prober, men, positions)
    root = board.copy(stack=False)
    try:
        won = prover.won(root, 0, result.line)
    except _Limit:
        return None
    if won is None:
        return None
    leaf = root.copy(stack=False)
    for move in won.line:
        leaf.push(move)
    return SearchProof(winner, won.line, won.mate, leaf, prover.positions, prover.searched)
