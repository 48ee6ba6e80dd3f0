"""Kinds of endings, told by the pieces alone."""

from __future__ import annotations

import chess

from convert.features import Features, features

KINDS = ("pawn ending", "exchange up", "minor pieces", "rook ending", "queen ending", "other")


def kind_of(board: chess.Board) -> str:
    """The kind of ending, by its pieces alone; one of :data:`KINDS`."""
    return kind_by(features(board))


def kind_by(facts: Features) -> str:
    """As :func:`kind_of`, for a position whose features are known."""
    board = facts.board
    if facts.piece_count == 0:
        return "pawn ending"
    if not facts.queens_on and facts.exchange_up is not None:
        return "exchange up"
    if not board.queens | board.rooks:
        return "minor pieces"
    pieces = board.occupied & ~board.kings & ~board.pawns
    if pieces == board.rooks:
        return "rook ending"
    if pieces == board.queens:
        return "queen ending"
    return "other"
