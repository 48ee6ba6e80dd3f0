"""Kinds of endings, told by the pieces alone."""

from __future__ import annotations

from functools import lru_cache

import chess

from convert.balance import Census, census

#: The kinds that are told apart where many endings are counted; anything else is "other".
KINDS = ("pawn ending", "exchange up", "minor pieces", "rook ending", "queen ending", "other")


def kind_of(board: chess.Board) -> str:
    """The kind of ending, one of :data:`KINDS`; bare kings pass as a pawn ending."""
    found = closer_kind(census(board))
    if found == "bare kings":
        return "pawn ending"
    return found if found in KINDS else "other"


@lru_cache(maxsize=1 << 14)
def closer_kind(count: Census) -> str:
    """The kind of ending more closely: besides :data:`KINDS` three that they take together.

    *Exchange up*: no queens, and one rook more against one minor piece more.  *Rook ending*,
    *queen ending*, *minor pieces*: no other pieces on the board (one side may have pawns only).
    *Rooks and minor pieces*, *queens and other pieces*: both sides have as many rooks, or queens.
    *Bare kings*; anything else is *other*.
    """
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
