"""Kinds of endings, told by the pieces alone."""

from __future__ import annotations

from functools import lru_cache

import chess

from convert.board.balance import Census, census, exchange_up, pieces

#: The kinds that are told apart where many endings are counted; anything else is "other".
KINDS = ("pawn ending", "exchange up", "minor pieces", "rook ending", "queen ending", "other")


def kind_of(board: chess.Board) -> str:
    """The kind of ending, one of :data:`KINDS`; bare kings pass as a pawn ending."""
    closer = closer_kind(census(board))
    if closer == "bare kings":
        return "pawn ending"
    return closer if closer in KINDS else "other"


@lru_cache(maxsize=1 << 14)
def closer_kind(count: Census) -> str:
    """The kind of ending more closely: besides :data:`KINDS` three that they take together.

    *Exchange up*: :func:`convert.board.balance.exchange_up` and no queens on the board.
    *Rook ending*, *queen ending*, *minor pieces*: no other pieces on the board (one side may have
    pawns only).
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
        if exchange_up(count) is not None:
            return "exchange up"
        return "rooks and minor pieces" if wr == br else "other"
    return "queens and other pieces" if wq == bq else "other"


#: With more pieces than this on a side, kings and pawns not counted, it is no ending.
MOST_PIECES = 2

MIDDLEGAME = "middlegame"

#: The kinds of phases, the commonest endings first.
PHASE_KINDS = (
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
    return pieces(count, chess.WHITE) <= MOST_PIECES and pieces(count, chess.BLACK) <= MOST_PIECES


def phase_kind(count: Census) -> str:
    """The kind of phase, one of :data:`PHASE_KINDS`: `closer_kind`, or *middlegame*."""
    return closer_kind(count) if is_ending(count) else MIDDLEGAME
