"""Kinds of ending, by the pieces alone."""

from __future__ import annotations

from functools import lru_cache

import chess

from convert.balance import Census, pieces

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


@lru_cache(maxsize=1 << 14)
def kind(count: Census) -> str:
    """The kind of ending, one of :data:`KINDS`.

    *Exchange up*: no queens, and one rook more against one minor piece more.  *Rook ending*,
    *queen ending*, *minor pieces*: no other pieces on the board (one side may have pawns only).
    *Rooks and minor pieces*, *queens and other pieces*: both sides have as many rooks, or queens.
    Anything else that is an ending is *other*.
    """
    if not is_ending(count):
        return MIDDLEGAME
    _, wn, wb, wr, wq, _, bn, bb, br, bq = count
    white, black = wn + wb, bn + bb
    minors, rooks, queens = white + black, wr + br, wq + bq
    if not minors + rooks + queens:
        return "pawn ending" if any(count) else "bare kings"
    if not rooks + queens:
        return "minor pieces"
    if not minors + queens:
        return "rook ending"
    if not minors + rooks:
        return "queen ending"
    if not queens:
        if abs(wr - br) == 1 and wr - br == black - white:
            return "exchange up"
        return "rooks and minor pieces" if wr == br else "other"
    return "queens and other pieces" if wq == bq else "other"
