"""Small endings for the lesson's property tests, built, not filtered."""

from __future__ import annotations

import chess
from chess import KING
from hypothesis import assume
from hypothesis import strategies as st

_SETS = (
    "KPvK",
    "KPvKP",
    "KRvKP",
    "KRvKB",
    "KRvKN",
    "KBPvK",
    "KNvKP",
    "KRPvK",
    "KPPvK",
    "KRvKR",
    "KNPvK",
    "KBvKP",
)
_LETTERS = {
    "K": KING,
    "Q": chess.QUEEN,
    "R": chess.ROOK,
    "B": chess.BISHOP,
    "N": chess.KNIGHT,
    "P": chess.PAWN,
}


@st.composite
def small_endings(draw: st.DrawFn) -> chess.Board:
    """A legal position of at most four men, either side to move, clock 0."""
    name = draw(st.sampled_from(_SETS))
    white, black = name.split("v")
    board = chess.Board.empty()
    board.turn = draw(st.booleans())
    colors = draw(st.booleans())
    for letters, color in ((white, colors), (black, not colors)):
        for letter in letters:
            free = [
                s
                for s in chess.SQUARES
                if board.piece_at(s) is None
                and not (letter == "P" and chess.square_rank(s) in (0, 7))
            ]
            board.set_piece_at(draw(st.sampled_from(free)), chess.Piece(_LETTERS[letter], color))
    assume(board.is_valid())
    return board
