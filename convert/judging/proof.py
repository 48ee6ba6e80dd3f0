"""Short proofs: lines into the tables that settle a position, whatever the reply.

The lowest outcome a side can force is the best it reaches by *some* moves; the
highest still possible is bounded only by looking at *all* its moves.  With a
table at the end of each line both are exact statements, not estimates.

A capture brings a position one man nearer the tables.  With ``n`` men too many
at least ``n`` plies are needed, so a search of ``n + slack`` plies has room for
``slack`` quiet moves: everything else is cut at once, which keeps the search
small.

The compiled search does the same hundreds of times faster (``convert.judging.search.lines``); this
is used where tables of the user's reach further than its exact leaves, and to hold it against.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import chess

from convert.judging.laws import claim_is_near
from tablebases.probing import ProbeCounts, Prober
from tablebases.values import Outcome


@dataclass(frozen=True)
class LineProof:
    """Interval of outcomes for the side to move, and a line that shows it.

    ``line`` is the winning (or saving) line where ``low`` was raised, else
    empty.  ``nodes`` visited, or looked at by the compiled search; ``probes`` of
    the tables, where they were counted.
    """

    low: Outcome
    high: Outcome
    line: tuple[chess.Move, ...]
    nodes: int
    probes: ProbeCounts = field(default_factory=ProbeCounts)

    @property
    def decided(self) -> bool:
        """One result only (under the fifty-move rule)."""
        return self.low.points == self.high.points


_Line = tuple[chess.Move, ...]


class _Prover:
    """Two questions that call each other: *at least* for one side, *at most* for the other."""

    __slots__ = ("board", "largest", "limit", "nodes", "prober", "seen")

    def __init__(self, board: chess.Board, prober: Prober, largest: int, limit: int):
        self.board = board
        self.prober = prober
        self.largest = largest
        self.limit = limit
        self.nodes = 0
        self.seen: dict[tuple[object, ...], _Line | None] = {}

    def settled(self) -> tuple[int, int] | None:
        """Lowest and highest result (points) of a position that needs no moves looked at."""
        b = self.board
        if b.occupied.bit_count() <= self.largest:
            answer = self.prober.outcome_or_none(b)
            if answer is not None:
                return answer.low.points, answer.high.points
        return None

    def at_least(self, points: int, depth: int) -> _Line | None:
        """A line that shows the side to move gets ``points`` or more; None if not shown."""
        known = self.settled()
        if known is not None:
            return () if known[0] >= points else None
        key = (True, points, depth, *_key(self.board))
        if key not in self.seen:
            self.seen[key] = self._some_move(points, depth)
        return self.seen[key]

    def at_most(self, points: int, depth: int) -> _Line | None:
        """A line that shows the side to move gets ``points`` at most; None if not shown."""
        known = self.settled()
        if known is not None:
            return () if known[1] <= points else None
        key = (False, points, depth, *_key(self.board))
        if key not in self.seen:
            self.seen[key] = self._every_move(points, depth)
        return self.seen[key]

    def _room(self, depth: int) -> int:
        """Plies to spare after the captures still needed; negative: out of reach."""
        return depth - (self.board.occupied.bit_count() - self.largest)

    def _some_move(self, points: int, depth: int) -> _Line | None:
        self.nodes += 1
        b = self.board
        room = self._room(depth)
        if depth <= 0 or room < 0 or claim_is_near(b) or self.nodes >= self.limit:
            return None
        flip = 0 if b.turn else 56
        captures = sorted(b.generate_legal_captures(), key=lambda m: _order(m, flip))
        quiet: list[chess.Move] = []
        if room > 0:
            quiet = [m for m in b.legal_moves if not b.is_capture(m)]
            quiet.sort(key=lambda m: (not m.promotion, not b.gives_check(m), *_order(m, flip)))
        for move in (*captures, *quiet):
            if self.nodes >= self.limit:
                return None
            b.push(move)
            below = self.at_most(-points, depth - 1)
            b.pop()
            if below is not None:
                return (move, *below)
        return None

    def _every_move(self, points: int, depth: int) -> _Line | None:
        self.nodes += 1
        b = self.board
        flip = 0 if b.turn else 56
        moves = sorted(b.legal_moves, key=lambda m: (not b.is_capture(m), *_order(m, flip)))
        if not moves:
            result = -1 if b.is_check() else 0
            return () if result <= points else None
        if depth <= 0 or self._room(depth) < 0 or claim_is_near(b):
            return None
        if self._room(depth) == 0 and any(not b.is_capture(m) for m in moves):
            return None
        shown: _Line = ()
        for move in moves:
            if self.nodes >= self.limit:
                return None
            b.push(move)
            below = self.at_least(-points, depth - 1)
            b.pop()
            if below is None:
                return None
            if len(below) + 1 > len(shown):
                shown = (move, *below)
        return shown


def _order(move: chess.Move, flip: int) -> tuple[int, int, int]:
    """A fixed order of moves, the same for both colours (``flip`` 56 for Black)."""
    return (move.from_square ^ flip, move.to_square ^ flip, -(move.promotion or 0))


def _key(b: chess.Board) -> tuple[object, ...]:
    return (
        b.pawns,
        b.knights,
        b.bishops,
        b.rooks,
        b.queens,
        b.kings,
        b.occupied_co[chess.WHITE],
        b.turn,
        b.castling_rights,
        b.ep_square,
        b.halfmove_clock,
    )


def prove(
    board: chess.Board,
    prober: Prober,
    *,
    largest: int = 4,
    most_men: int = 7,
    slack: int = 2,
    nodes: int = 400,
) -> LineProof:
    """Look for a proof by tables, with up to ``slack`` quiet moves in the line.

    Sound whatever the limits: where they end the search early the interval is
    only wider.  Positions with more than ``most_men`` men are left alone; one
    with castling rights is in no table, but those after it may be.  At most about
    ``nodes`` positions are looked at.  Bounds are win, draw or loss under the fifty-move rule.
    """
    men = board.occupied.bit_count()
    low, high = Outcome.LOSS, Outcome.WIN
    line: _Line = ()
    used = 0
    if men > most_men:
        return LineProof(low, high, line, used)
    for extra in range(slack + 1):
        depth = max(men - largest, 0) + extra
        prover = _Prover(board.copy(stack=False), prober, largest, nodes - used)
        won = prover.at_least(1, depth)
        if won is not None:
            return LineProof(Outcome.WIN, Outcome.WIN, won, used + prover.nodes)
        lost = prover.at_most(-1, depth)
        if lost is not None:
            return LineProof(Outcome.LOSS, Outcome.LOSS, lost, used + prover.nodes)
        if low < Outcome.DRAW and (saved := prover.at_least(0, depth)) is not None:
            low, line = Outcome.DRAW, saved
        if high > Outcome.DRAW and (held := prover.at_most(0, depth)) is not None:
            high = Outcome.DRAW
            line = line or held
        used += prover.nodes
        if low == high or used >= nodes:
            break
    return LineProof(low, high, line, used)
