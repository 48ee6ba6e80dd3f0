"""A plain search in Python, to have something that scores can be measured with, and a reference.

Fail-hard alpha-beta (Knuth and Moore 1975) on the worth of the men (1, 3, 3, 5, 9: common
practice), with captures and promotions played out at its end.  Slow, obvious, and nothing that a
report tells comes from it.
"""

from __future__ import annotations

from collections.abc import Sequence

import chess

from convert.measuring.plain_view import worth_of

#: Score of a mate on the board, in hundredths of a pawn; one less for each ply before it.
MATE = 10_000


class _Spent(Exception):
    """The count of positions is used up."""


class _Look:
    def __init__(self, board: chess.Board, limit: int):
        self.board = board
        self.left = limit

    def worth(self) -> int:
        b = self.board
        return 100 * (worth_of(b, b.turn) - worth_of(b, not b.turn))

    def captures(self) -> list[chess.Move]:
        b = self.board
        pushers = b.pawns & b.occupied_co[b.turn]
        pushers &= chess.BB_RANK_7 if b.turn else chess.BB_RANK_2
        moves = [*b.generate_legal_captures(), *b.generate_legal_moves(pushers, ~b.occupied)]
        return sorted(moves, key=self._order)

    def _order(self, move: chess.Move) -> tuple[int, int, int]:
        b = self.board
        taken = b.piece_type_at(move.to_square) or 0
        return (
            -(taken + (move.promotion or 0)),
            b.piece_type_at(move.from_square) or 0,
            move.from_square * 64 + move.to_square,
        )

    def played_out(self, alpha: int, beta: int) -> int:
        """Captures alone; the side to move may always stop."""
        alpha = max(alpha, self.worth())
        if alpha >= beta:
            return beta
        for move in self.captures():
            self.board.push(move)
            score = -self.played_out(-beta, -alpha)
            self.board.pop()
            if score >= beta:
                return beta
            alpha = max(alpha, score)
        return alpha

    def deep(self, depth: int, alpha: int, beta: int, ply: int) -> int:
        self.left -= 1
        if self.left < 0:
            raise _Spent
        moves = list(self.board.legal_moves)
        if not moves:
            return -MATE + ply if self.board.is_check() else 0
        if depth == 0:
            return self.played_out(alpha, beta)
        captures = set(self.board.generate_legal_captures())
        for move in sorted(moves, key=lambda m: (m not in captures, *self._order(m))):
            self.board.push(move)
            try:
                score = -self.deep(depth - 1, -beta, -alpha, ply + 1)
            finally:
                self.board.pop()
            if score >= beta:
                return beta
            alpha = max(alpha, score)
        return alpha


def plain_search(boards: Sequence[chess.Board], count: int) -> list[int]:
    """Scores for the side to move, in hundredths of a pawn.

    Looked at one ply deeper each time until ``count`` positions are used up (captures at the end
    not counted); 0: captures only.
    """
    out = []
    for board in boards:
        look = _Look(board.copy(stack=False), count)
        score = look.played_out(-MATE, MATE)
        for depth in range(1, 64):
            try:
                score = look.deep(depth, -MATE, MATE, 0)
            except _Spent:
                break
            if abs(score) > MATE - 64 or look.left <= 0:
                break
        out.append(score)
    return out
