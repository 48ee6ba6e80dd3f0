"""Which moves a player would think of, and which positions are no exercise at all.

Nothing here judges results; it looks at what is taken, at once and on the next move.
"""

from __future__ import annotations

from dataclasses import dataclass

import chess
from chess import KING

from convert.board.activity import best_capture, taken_value
from convert.board.features import features
from convert.board.moves import mate_in_one
from convert.judging.judges import after_move
from convert.model import Verdict
from convert.review.trades import like_for_like, starts_trade

#: A pawn in the units of the exchange count.
PAWN = 100


@dataclass(frozen=True)
class Option:
    """A legal move with what it leads to, for the side that makes it.

    ``net``: what it takes less what the opponent then takes in one exchange, in hundredths of
    a pawn.  ``plausible``: it loses nothing at once that could be kept, and no mate.
    ``trade``: it starts a trade; ``offer``: it offers one; ``impulses``: what a player looks at
    first, of ``capture``, ``check`` and ``push`` (of a passed pawn).
    """

    move: chess.Move
    verdict: Verdict
    net: int
    plausible: bool
    trade: bool
    offer: bool
    impulses: tuple[str, ...]


def offers_trade(board: chess.Board, move: chess.Move) -> bool:
    """Does the quiet ``move`` put a piece where its like can take it and be taken back?"""
    piece = board.piece_type_at(move.from_square)
    if board.is_capture(move) or piece in (chess.PAWN, KING, None):
        return False
    child = after_move(board, move)
    return any(
        like_for_like(child, reply) and starts_trade(child, reply)
        for reply in child.generate_legal_captures(to_mask=chess.BB_SQUARES[move.to_square])
    )


def weigh(board: chess.Board, known: list[tuple[chess.Move, Verdict]]) -> list[Option]:
    """Every legal move with its verdict (for its player) weighed as a player would."""
    mates = []
    nets = []
    passed = features(board).side(board.turn).passed
    for move, _ in known:
        child = after_move(board, move)
        nets.append(taken_value(board, move) - best_capture(child))
        mates.append(mate_in_one(child))
    floor = min(0, max(nets, default=0))
    out = []
    for (move, verdict), net, mate in zip(known, nets, mates, strict=True):
        impulses = []
        if board.is_capture(move):
            impulses.append("capture")
        if board.gives_check(move):
            impulses.append("check")
        if passed & chess.BB_SQUARES[move.from_square]:
            impulses.append("push")
        out.append(
            Option(
                move,
                verdict,
                net,
                net >= floor and not mate and move.promotion in (None, chess.QUEEN),
                starts_trade(board, move),
                offers_trade(board, move),
                tuple(impulses),
            )
        )
    return out


def elementary(board: chess.Board) -> bool:
    """A bare king against mating force without pawns: technique, no exercise of this kind."""
    if board.pawns:
        return False
    bare = [board.occupied_co[color].bit_count() == 1 for color in chess.COLORS]
    return any(bare)


def hopeless(board: chess.Board, least: int = 5) -> bool:
    """One side is more than a rook ahead and the other has no pawn near promotion."""
    from convert.lesson.themes import lead

    ahead = lead(board, chess.WHITE)
    if abs(ahead) <= least:
        return False
    behind = ahead < 0
    runners = chess.BB_RANK_6 | chess.BB_RANK_7 if behind else chess.BB_RANK_2 | chess.BB_RANK_3
    return not board.pawns & board.occupied_co[behind] & runners
