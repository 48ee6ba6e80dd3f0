"""The judge of short lines into the tables."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import chess

from convert.board.moves import line_san, mate_in_one
from convert.judging.effort import Effort
from convert.judging.looking import LookAhead
from convert.judging.proof import LineProof, prove
from convert.model import Evidence, Side, Verdict
from tablebases.probing import Prober, SyzygyProber
from tablebases.values import Outcome

if TYPE_CHECKING:
    from convert.judging.search.lines import LineProver

__all__ = ["LineJudge"]

#: Men up to which the compiled search has exact leaves of its own.
LEAF_MEN: Final = 4


class LineJudge:
    """Short lines into the tables that hold against every reply.

    By the compiled search where its exact leaves reach as far as the tables; where tables of the
    user's reach further, by ``convert.judging.proof`` over python-chess.
    """

    name = "lines into the tables"

    def __init__(self, prober: Prober, effort: Effort, largest: int, look: LookAhead):
        self.prober = prober
        self.effort = effort
        self.largest = largest
        self.look = look

    @cached_property
    def prover(self) -> LineProver:
        """The compiled search for lines."""
        from convert.judging.search.lines import LineProver

        return LineProver(
            self.look.search,
            self.prober,
            positions=self.effort.proof_nodes,
            checked=self.effort.proof_checked,
            slack=self.effort.proof_slack,
        )

    def judge(self, board: chess.Board) -> Verdict | None:
        men = board.occupied.bit_count()
        if men > max(self.effort.proof_men, self.largest) or not self.effort.proof_nodes:
            return None
        if mate_in_one(board):
            return None  # what is said of the moves tells it better
        line_proof = self._by_search(board) if self.largest <= LEAF_MEN else self._by_tables(board)
        if (line_proof.low, line_proof.high) == (Outcome.LOSS, Outcome.WIN):
            return None
        evidence = Evidence.TABLE if line_proof.decided else Evidence.BOUNDED
        via = line_san(board, line_proof.line)
        return Verdict(Side.of(board.turn), line_proof.low, line_proof.high, evidence, via=via)

    def _by_search(self, board: chess.Board) -> LineProof:
        notes, tables = self.look.notes, self.prober
        if notes is None or not (isinstance(tables, SyzygyProber) and tables.is_built_in):
            return self.prover.prove(board)
        effort = self.effort
        limits = (effort.proof_nodes, effort.proof_checked, effort.proof_slack)
        before = tables.counts

        def ask() -> list[LineProof]:
            shown = self.prover.prove(board)
            return [replace(shown, probes=tables.counts - before)]

        (line_proof,) = notes.answers("lines", [board], limits, ask)
        if tables.counts == before:
            tables.count_again(line_proof.probes)  # so that a report counts the same
        return line_proof

    def _by_tables(self, board: chess.Board) -> LineProof:
        return prove(
            board,
            self.prober,
            largest=self.largest,
            most_men=max(self.largest, min(self.effort.proof_men, self.largest + 3)),
            slack=self.effort.proof_slack,
            nodes=self.effort.proof_checked,
        )
