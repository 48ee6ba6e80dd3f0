"""Kinds of ending, by the pieces alone."""

from __future__ import annotations

import chess

from convert.balance import Census, pieces
from convert.kinds import closer_kind

#: With more pieces than this on a side, kings and pawns not counted, it is no ending.
MOST_PIECES = 2

MIDDLEGAME = "middlegame"

#: All kinds, the commonest endings first.
KINDS = (
    "pawn ending",
    "rook ending",
    "minor pieces",
    "rooks and minor pieces",
    "exchange up",
    "queen ending",
    "queens and other pieces",
    "other",
    "bare kings",
    MIDDLEGAME,
)


def is_ending(count: Census) -> bool:
    """True where neither side has more than :data:`MOST_PIECES` besides king and pawns."""
    return (
        pieces(count, chess.WHITE) <= MOST_PIECES and pieces(count, chess.BLACK) <= MOST_PIECES
    )


def kind(count: Census) -> str:
    """The kind of ending, one of :data:`KINDS`: `convert.kinds.closer_kind`, or *middlegame*."""
    return closer_kind(count) if is_ending(count) else MIDDLEGAME
