"""Asking several probers in turn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import chess

from tablebases.errors import MissingTable, TablebaseError
from tablebases.files import CheckResult
from tablebases.material import material_name, normal_name
from tablebases.probing import ProbeCounts, Prober
from tablebases.values import Answer, Distance, Outcome

__all__ = ["ChainProber"]

_T = TypeVar("_T")


class ChainProber:
    """Asks several probers in turn; the first that covers a position answers.

    If that one fails after all (a distance table is missing, a file is damaged), the next one
    that covers the position is asked. If none answers, the first error is raised.

    Args:
        probers: in the order in which to ask.
    """

    def __init__(self, probers: Sequence[Prober]) -> None:
        self.probers = tuple(probers)

    @property
    def name(self) -> str:
        """The names of its probers, joined."""
        return ", ".join(prober.name for prober in self.probers) or "no tables"

    @property
    def counts(self) -> ProbeCounts:
        """How often its probers were asked, those that count."""
        counts = [c for p in self.probers if (c := getattr(p, "counts", None)) is not None]
        return ProbeCounts(sum(c.wdl for c in counts), sum(c.dtz for c in counts))

    @property
    def problems(self) -> tuple[CheckResult, ...]:
        """Files that its probers set aside."""
        return tuple(found for p in self.probers for found in getattr(p, "problems", ()))

    def covers(self, board: chess.Board) -> bool:
        """Does any of the probers cover this position?"""
        return any(prober.covers(board) for prober in self.probers)

    def wdl_after_zeroing(self, board: chess.Board) -> Outcome:
        """Outcome for the side to move if the halfmove clock were 0.

        Raises:
            TablebaseError: the error of the first prober asked, if none can answer.
        """
        return self._first(board, lambda prober: prober.wdl_after_zeroing(board))

    def distance(self, board: chess.Board) -> Distance:
        """Distance to the next zeroing move or mate, in plies.

        Raises:
            TablebaseError: the error of the first prober asked, if none can answer.
        """
        return self._first(board, lambda prober: prober.distance(board))

    def outcome(self, board: chess.Board) -> Answer:
        """Outcome for the side to move under the fifty-move rule, with the board's clock.

        Raises:
            TablebaseError: the error of the first prober asked, if none can answer.
        """
        return self._first(board, lambda prober: prober.outcome(board))

    def outcome_or_none(self, board: chess.Board) -> Answer | None:
        """As ``outcome``, but None where that would raise a ``TablebaseError``."""
        try:
            return self.outcome(board)
        except TablebaseError:
            return None

    def _first(self, board: chess.Board, ask: Callable[[Prober], _T]) -> _T:
        first_error: TablebaseError | None = None
        covering = [prober for prober in self.probers if prober.covers(board)]
        # With nobody to cover the position, all are asked, for the error that says why.
        for prober in covering or self.probers:
            try:
                return ask(prober)
            except TablebaseError as error:
                first_error = first_error or error
        if first_error is None:
            raise MissingTable(normal_name(material_name(board)), "wdl", ())
        raise first_error
