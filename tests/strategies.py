"""Hypothesis strategies: positions are built, not filtered by chance."""

from __future__ import annotations

import chess
from chess import KING
from hypothesis import assume
from hypothesis import strategies as st

_PIECES = [chess.QUEEN, chess.ROOK, chess.BISHOP, chess.KNIGHT, chess.PAWN]


@st.composite
def positions(draw: st.DrawFn, *, least: int = 3, most: int = 4, pawns: bool = True) -> chess.Board:
    """A legal position with ``least`` to ``most`` men, no castling rights, clock 0."""
    board = chess.Board(None)
    white = draw(st.integers(0, 63))
    black = draw(st.sampled_from([s for s in range(64) if chess.square_distance(s, white) > 1]))
    board.set_piece_at(white, chess.Piece(KING, chess.WHITE))
    board.set_piece_at(black, chess.Piece(KING, chess.BLACK))
    kinds = _PIECES if pawns else _PIECES[:-1]
    for _ in range(draw(st.integers(least, most)) - 2):
        kind = draw(st.sampled_from(kinds))
        free = [s for s in range(64) if board.piece_at(s) is None]
        if kind == chess.PAWN:
            free = [s for s in free if 0 < chess.square_rank(s) < 7]
        board.set_piece_at(draw(st.sampled_from(free)), chess.Piece(kind, draw(st.booleans())))
    board.turn = draw(st.booleans())
    if not board.is_valid():
        board.turn = not board.turn
    assume(board.is_valid())
    return board


@st.composite
def games(draw: st.DrawFn, *, most: int = 80) -> list[chess.Move]:
    """A random legal game from the starting position, captures a little preferred."""
    board = chess.Board()
    moves: list[chess.Move] = []
    for _ in range(draw(st.integers(1, most))):
        legal = sorted(board.legal_moves, key=lambda m: m.uci())
        if not legal:
            break
        captures = [m for m in legal if board.is_capture(m)]
        pool = captures if captures and draw(st.integers(0, 2)) else legal
        move = draw(st.sampled_from(pool))
        board.push(move)
        moves.append(move)
    return moves
