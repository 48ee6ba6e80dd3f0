"""Kinds of endings, told by the pieces alone."""

from __future__ import annotations

import chess
import pytest

from convert.board.balance import census
from convert.board.kinds import closer_kind


@pytest.mark.parametrize(
    ("fen", "kind"),
    # common practice: the names; who is "the exchange up" is a rook against a minor piece.
    [
        ("4k3/8/8/8/8/8/8/4K3", "bare kings"),
        ("4k3/p7/8/8/8/8/8/4K3", "pawn ending"),
        ("4kn2/p7/8/8/8/8/8/4K3", "minor pieces"),
        ("4kr2/8/8/8/8/8/8/R3K3", "rook ending"),
        ("4kq2/8/8/8/8/8/P7/4K3", "queen ending"),
        ("4kn2/8/8/8/8/8/8/R3K3", "exchange up"),
        ("4kb2/8/8/8/8/8/8/R3KN2", "other"),  # a whole rook up
        ("4kbn1/8/8/8/8/8/8/R3K3", "other"),  # two minor pieces for the rook
        ("4kbn1/8/8/8/8/8/8/R3KN2", "exchange up"),
        ("r3kbn1/8/8/8/8/8/8/RR2KN2", "exchange up"),
        ("rr2kb2/8/8/8/8/8/8/4K3", "other"),
        ("rr2kb2/8/8/8/8/8/8/R3KNB1", "exchange up"),
        ("r3kb2/8/8/8/8/8/8/R3KNB1", "rooks and minor pieces"),
        ("q3kb2/8/8/8/8/8/8/Q3KNB1", "queens and other pieces"),
        ("q3kb2/8/8/8/8/8/8/QR2K3", "queens and other pieces"),
        ("q3k3/8/8/8/8/8/8/RR2K3", "other"),
    ],
)
def test_kinds(fen: str, kind: str) -> None:
    board = chess.Board(f"{fen} w - - 0 1")
    assert closer_kind(census(board)) == kind
    assert closer_kind(census(board.mirror())) == kind
