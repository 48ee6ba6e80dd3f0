"""Diagrams in plain text: letters, or the chess figures of Unicode."""

from __future__ import annotations

import chess
from chess import KING

from convert.wording.small import color_word

_EMPTY = {True: ".", False: ":"}  # light, dark


def diagram(fen: str, *, figures: bool = False, marks: tuple[str, ...] = ()) -> list[str]:
    """The position as ten lines of at most 36 characters, White at the bottom.

    White's men are capital letters, Black's small; empty dark squares are ``:``,
    light ones ``.``.  With ``figures`` the Unicode chess figures stand for the
    men.  Squares named in ``marks`` are put between brackets.
    """
    board = chess.Board(fen)
    marked = {chess.parse_square(name) for name in marks}
    lines = []
    for rank in range(7, -1, -1):
        cells = []
        for file in range(8):
            square = chess.square(file, rank)
            piece = board.piece_at(square)
            if piece is None:
                text = _EMPTY[(file + rank) % 2 == 1]
            else:
                text = piece.unicode_symbol() if figures else piece.symbol()
            cells.append(f"[{text}]" if square in marked else f" {text} ")
        lines.append(f"{rank + 1} " + "".join(cells))
    mover = color_word(board.turn)
    lines.append("  " + "".join(f" {name} " for name in "abcdefgh"))
    lines.append(f"   {mover} to move")
    return lines


def in_words(fen: str) -> str:
    """The position in words: ``White: Kg2, Rd6, pawns f2 g3; Black: ...; White to move``."""
    board = chess.Board(fen)
    parts = []
    for color in chess.COLORS:
        men = []
        for kind in (KING, chess.QUEEN, chess.ROOK, chess.BISHOP, chess.KNIGHT):
            letter = chess.piece_symbol(kind).upper()
            men += [f"{letter}{chess.square_name(s)}" for s in board.pieces(kind, color)]
        pawns = [chess.square_name(s) for s in board.pieces(chess.PAWN, color)]
        if pawns:
            men.append(("pawn " if len(pawns) == 1 else "pawns ") + " ".join(pawns))
        parts.append(f"{color_word(color)}: {', '.join(men)}")
    return "; ".join(parts) + f"; {color_word(board.turn)} to move"
