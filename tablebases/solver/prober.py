"""What the solver has proved, asked like tables."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from typing import Final

import chess

from tablebases.errors import MissingTable, TablebaseError
from tablebases.material import material_name, normal_name
from tablebases.probing import check_board
from tablebases.solver.budget import Cost
from tablebases.solver.classes import has_exact, read_exact
from tablebases.solver.sets import Key, Sets, can_solve, framed, locate, mirrored, parts_of
from tablebases.solver.solution import Solution
from tablebases.solver.store import Store
from tablebases.solver.structures import LOWER, UPPER
from tablebases.values import Answer, Distance, Outcome

__all__ = ["SolverProber"]

_SLICES: Final = 64
"""Slices from the store that are kept in memory at a time."""


class _Stored(Sets):
    """Exact slices of a store, read when they are asked for."""

    def __init__(self, store: Store):
        super().__init__()
        self.store = store
        self._order: OrderedDict[Key, None] = OrderedDict()

    def fetch(self, key: Key) -> bool:
        """Make the slice, or its mirror image, available; False if the store has neither."""
        for wanted in dict.fromkeys((key, mirrored(key))):
            if wanted in self._order:
                self._order.move_to_end(wanted)
                return True
        for wanted in dict.fromkeys((key, mirrored(key))):
            kept = read_exact(self.store, wanted)
            if kept is not None:
                self.add(LOWER, wanted, kept)
                self._order[wanted] = None
                while len(self._order) > _SLICES:
                    self._forget(self._order.popitem(last=False)[0])
                return True
        return False

    def holds(self, key: Key) -> bool:
        """As ``fetch``, but nothing is read beyond the head of a file."""
        return any(
            wanted in self._order or has_exact(self.store, wanted)
            for wanted in dict.fromkeys((key, mirrored(key)))
        )

    def _forget(self, key: Key) -> None:
        for mode in (LOWER, UPPER):
            self.kept.pop((mode, key), None)


class SolverProber:
    """Exact answers from solved classes and positions, and from slices in a store.

    Answers only where everything about a position is known exactly; bounds do not count. Of two
    left-right mirror images one is enough.

    Args:
        store: slices that were solved before; read one by one as they are asked for.
        solutions: what ``solve`` and ``solve_class`` gave; asked first, in this order.
    """

    name: str = "solver"

    def __init__(self, store: Store | None = None, solutions: Sequence[Solution] = ()) -> None:
        self._store = store
        self._solutions = tuple(solutions)
        self._stored = None if store is None else _Stored(store)
        self._lock = threading.RLock()

    def covers(self, board: chess.Board) -> bool:
        """Is this position known exactly? Reads no more than the heads of some files."""
        try:
            check_board(board)
        except TablebaseError:
            return False
        if not can_solve(board):
            return False
        with self._lock:
            if any(solution.exact(board) for solution in self._solutions):
                return True
            stored = self._stored
            return stored is not None and all(stored.holds(key) for key in _keys(board))

    def wdl_after_zeroing(self, board: chess.Board) -> Outcome:
        """Outcome for the side to move if the halfmove clock were 0.

        Raises:
            IllegalPosition, CastlingRights, TooManyMen: see ``probing.check_board``.
            MissingTable: if the position is not known exactly.
        """
        with self._lock:
            return self._source(board).interval(board)[0]

    def distance(self, board: chess.Board) -> Distance:
        """Distance to the next zeroing move or mate, in plies, never rounded.

        Raises:
            IllegalPosition, CastlingRights, TooManyMen: see ``probing.check_board``.
            MissingTable: with metric "dtz" if the position is not known exactly, or belongs to
                a slice so large that only outcomes were kept.
        """
        with self._lock:
            distance = self._source(board, "dtz").distance(board)
        if distance is None:
            raise self._missing(board, "dtz")
        return distance

    def outcome(self, board: chess.Board) -> Answer:
        """Outcome for the side to move under the fifty-move rule, with the board's clock.

        Raises:
            IllegalPosition, CastlingRights, TooManyMen: see ``probing.check_board``.
            MissingTable: if the position is not known exactly.
        """
        with self._lock:
            answer = self._source(board).answer(board)
        if answer is None:
            raise self._missing(board, "wdl")
        return answer

    def outcome_or_none(self, board: chess.Board) -> Answer | None:
        """As ``outcome``, but None where that would raise a ``TablebaseError``."""
        try:
            return self.outcome(board)
        except TablebaseError:
            return None

    def _source(self, board: chess.Board, metric: str = "wdl") -> Solution:
        """What knows the position exactly.

        Raises:
            TablebaseError: as the public methods say.
        """
        check_board(board)
        if can_solve(board):
            for solution in self._solutions:
                if solution.exact(board):
                    return solution
            stored = self._stored
            if stored is not None and all(stored.fetch(key) for key in _keys(board)):
                return Solution(stored, Cost())
        raise self._missing(board, metric)

    def _missing(self, board: chess.Board, metric: str) -> MissingTable:
        searched = () if self._store is None else (self._store.folder,)
        return MissingTable(normal_name(material_name(board)), metric, searched)


def _keys(board: chess.Board) -> list[Key]:
    """The slices that a full answer needs: both questions, and those after en passant."""
    return [locate(framed(part, colour))[0] for part in parts_of(board) for colour in chess.COLORS]
