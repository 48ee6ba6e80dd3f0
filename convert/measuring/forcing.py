"""Play forcing moves out until the position is quiet.

A position in the middle of an exchange says nothing about who stands better.
:func:`resolve` follows captures, promotions, checks at the first two plies,
all answers to check, and, where something hangs, quiet moves that meet the
threat.  Where a line comes down to what the tables know, their answer counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import chess
from chess import KING

from tablebases.probing import Prober

MATE = 100_000
#: Score of a table win; below any mate, above any material.
TABLE_WIN = 50_000
_UNIT = (0, 100, 300, 300, 500, 900, 0)
#: How deep (plies from the root) checks and answers to threats are looked at.
_QUIET_PLIES = 1
_MAX_DEPTH = 24
_THREAT = 90


@dataclass(frozen=True)
class Resolution:
    """What forcing play leads to.

    ``score``: for the side to move at the root, in hundredths of a pawn
    (common practice values; +-TABLE_WIN where a table answers, +-MATE near
    mate).  ``line``: the moves; ``leaf``: the quiet position at its end;
    ``table``: the leaf was answered by a table; ``nodes`` visited; ``cut``:
    the node limit was met before everything was looked at.
    """

    score: int
    line: tuple[chess.Move, ...]
    leaf: chess.Board
    table: bool
    nodes: int
    cut: bool


class _Search:
    __slots__ = ("board", "cut", "largest", "limit", "nodes", "prober")

    def __init__(self, board: chess.Board, prober: Prober | None, largest: int, limit: int):
        self.board = board
        self.prober = prober
        self.largest = largest
        self.limit = limit
        self.nodes = 0
        self.cut = False

    def static(self) -> int:
        """Material for the side to move, hundredths of a pawn."""
        b = self.board
        own, other = b.occupied_co[b.turn], b.occupied_co[not b.turn]
        total = 0
        for kind, unit in (
            (b.pawns, 100),
            (b.knights, 300),
            (b.bishops, 300),
            (b.rooks, 500),
            (b.queens, 900),
        ):
            total += unit * ((kind & own).bit_count() - (kind & other).bit_count())
        return total

    def table(self) -> int | None:
        """Score from the tables, None where they do not reach."""
        if self.prober is None or self.board.occupied.bit_count() > self.largest:
            return None
        answer = self.prober.outcome_or_none(self.board)
        if answer is None:
            return None
        return TABLE_WIN * (answer.low.points + answer.high.points) // 2

    def captures(self, keep_all: bool) -> list[chess.Move]:
        b = self.board
        enemy = not b.turn
        flip = 0 if b.turn else 56
        scored: list[tuple[int, int, int, int, chess.Move]] = []
        last = chess.BB_RANK_8 if b.turn else chess.BB_RANK_1
        moves: Iterator[chess.Move] = b.generate_legal_captures()
        for move in moves:
            victim = b.piece_type_at(move.to_square) or chess.PAWN
            attacker = b.piece_type_at(move.from_square) or chess.PAWN
            gain = _UNIT[victim]
            if (
                not keep_all
                and _UNIT[attacker] > gain
                and attacker != KING
                and b.attackers_mask(enemy, move.to_square)
            ):
                continue
            if move.promotion:
                gain += _UNIT[move.promotion] - 100
            scored.append((-gain, attacker, move.to_square ^ flip, move.from_square ^ flip, move))
        pushers = b.pawns & b.occupied_co[b.turn] & (chess.BB_RANK_7 if b.turn else chess.BB_RANK_2)
        if pushers:
            for move in b.generate_legal_moves(pushers, last & ~b.occupied):
                if move.promotion in (chess.QUEEN, chess.KNIGHT):
                    scored.append((-_UNIT[move.promotion], 1, move.to_square ^ flip, 0, move))
        scored.sort(key=lambda item: item[:4])
        return [item[4] for item in scored]

    def run(self, alpha: int, beta: int, ply: int) -> tuple[int, tuple[chess.Move, ...], bool]:
        """Fail-soft alpha-beta; score for the side to move, line, table at its end."""
        self.nodes += 1
        known = self.table()
        if known is not None:
            return known, (), True
        b = self.board
        static = self.static()
        if ply >= _MAX_DEPTH or self.nodes >= self.limit:
            self.cut = self.cut or self.nodes >= self.limit
            return static, (), False
        checked = b.is_check()
        flip = 0 if b.turn else 56
        best, table = -MATE * 2, False
        line: tuple[chess.Move, ...] = ()
        moves: list[chess.Move]
        if checked:
            moves = sorted(
                b.legal_moves,
                key=lambda m: (not b.is_capture(m), m.from_square ^ flip, m.to_square ^ flip),
            )
            if not moves:
                return -MATE + ply, (), False
        else:
            threat = self.threat(static) if ply <= _QUIET_PLIES else 0
            best = static - threat
            if best >= beta:
                return best, (), False
            alpha = max(alpha, best)
            moves = self.captures(keep_all=ply == 0)
            if threat:
                moves += self.answers(moves)
            elif ply <= _QUIET_PLIES:
                moves += sorted(
                    (
                        m
                        for m in b.generate_legal_moves(b.occupied_co[b.turn], ~b.occupied)
                        if not m.promotion and b.gives_check(m)
                    ),
                    key=lambda m: (m.from_square ^ flip, m.to_square ^ flip),
                )
        quiet_goal = static - 20
        forced_leaf = True
        for move in moves:
            if self.nodes >= self.limit:
                self.cut = True
                break
            forced_leaf = False
            capture = b.is_capture(move)
            b.push(move)
            try:
                score, below, at_table = self.run(-beta, -alpha, ply + 1)
            finally:
                b.pop()
            score = -score
            if score > best:
                best, line, table = score, (move, *below), at_table
                alpha = max(alpha, best)
                if alpha >= beta:
                    break
            if not capture and not checked and not move.promotion and best >= quiet_goal:
                break
        if forced_leaf and not checked and not any(b.generate_legal_moves()):
            return 0, (), False
        return best, line, table

    def threat(self, static: int) -> int:
        """What the opponent would win if the side to move passed (0 if little)."""
        b = self.board
        b.push(chess.Move.null())
        try:
            score = self.captures_only(-static, -static + 1000, 0)
        finally:
            b.pop()
        loss = static + score
        return loss if loss >= _THREAT else 0

    def captures_only(self, alpha: int, beta: int, depth: int) -> int:
        """Score for the side to move from captures and promotions alone."""
        self.nodes += 1
        best = self.static()
        if best >= beta or depth >= 6 or self.nodes >= self.limit:
            return best
        alpha = max(alpha, best)
        for move in self.captures(keep_all=False):
            self.board.push(move)
            try:
                score = self.captures_only(-beta, -alpha, depth + 1)
            finally:
                self.board.pop()
            if -score > best:
                best = -score
                alpha = max(alpha, best)
                if alpha >= beta:
                    break
        return best

    def answers(self, already: list[chess.Move]) -> list[chess.Move]:
        """Quiet moves that may meet a threat: attacked men first, then the rest."""
        b = self.board
        own, flip = b.occupied_co[b.turn], 0 if b.turn else 56
        attacked = 0
        for square in chess.scan_forward(own & ~b.kings):
            if b.attackers_mask(not b.turn, square):
                attacked |= chess.BB_SQUARES[square]
        skip = set(already)

        def safe(move: chess.Move) -> bool:
            return not b.attackers_mask(not b.turn, move.to_square)

        first = [
            m
            for m in b.generate_legal_moves(attacked, ~b.occupied)
            if m not in skip and not m.promotion
        ]
        rest = [
            m
            for m in b.generate_legal_moves(own & ~attacked, ~b.occupied)
            if m not in skip and not m.promotion
        ]

        def order(move: chess.Move) -> tuple[bool, int, int, int]:
            kind = b.piece_type_at(move.from_square) or 0
            return (not safe(move), -_UNIT[kind], move.from_square ^ flip, move.to_square ^ flip)

        return sorted(first, key=order)[:8] + sorted(rest, key=order)[:8]


def resolve(
    board: chess.Board,
    prober: Prober | None = None,
    *,
    largest: int = 4,
    nodes: int = 150,
) -> Resolution:
    """Resolve forcing play from ``board``, at most about ``nodes`` positions.

    ``largest`` is the number of men up to which ``prober`` is asked.
    """
    work = board.copy(stack=False)
    search = _Search(work, prober, largest, nodes)
    score, line, table = search.run(-2 * MATE, 2 * MATE, 0)
    leaf = board.copy(stack=False)
    for move in line:
        leaf.push(move)
    leaf.clear_stack()
    return Resolution(score, line, leaf, table, search.nodes, search.cut)
