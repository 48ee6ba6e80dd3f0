"""Helpers shared by the tests of the table package: data, positions, slow references."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import chess
from chess import KING
from hypothesis import assume
from hypothesis import strategies as st

from tablebases import Outcome, all_names

DATA = Path(__file__).resolve().parents[1] / "data"
WORDS = {"win": Outcome.WIN, "draw": Outcome.DRAW, "loss": Outcome.LOSS}
WITH_PAWNS = tuple(name for name in all_names(4) if "P" in name)


def load(name: str) -> Any:
    """A JSON file of tests/data."""
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def pieces_of(name: str) -> list[chess.Piece]:
    """The men of a material name, White's first, each side from the king down."""
    white, black = name.split("v")
    return [chess.Piece.from_symbol(letter) for letter in white + black.lower()]


def placed(pieces: list[chess.Piece], squares: list[int], turn: chess.Color) -> chess.Board:
    """A board with these men on these squares; not checked."""
    board = chess.Board(None)
    for piece, square in zip(pieces, squares, strict=True):
        board.set_piece_at(square, piece)
    board.turn = turn
    return board


def random_position(rng: random.Random, name: str, turn: chess.Color) -> chess.Board:
    """A legal position, every placement with this side to move equally likely."""
    pieces = pieces_of(name)
    while True:
        board = placed(pieces, rng.sample(range(64), len(pieces)), turn)
        if board.is_valid():
            return board


@st.composite
def positions(draw: st.DrawFn, names: tuple[str, ...] = all_names(4)) -> chess.Board:
    """Legal positions of some classes, either colour as the first side, clock 0."""
    pieces = pieces_of(draw(st.sampled_from(names)))
    squares: list[int] = []
    for piece in pieces:
        free = [square for square in range(64) if square not in squares]
        if piece.piece_type == chess.PAWN:
            free = [square for square in free if 0 < chess.square_rank(square) < 7]
        elif piece.piece_type == KING and squares:
            white_king = squares[0]
            free = [square for square in free if chess.square_distance(square, white_king) > 1]
        squares.append(draw(st.sampled_from(free)))
    board = placed(pieces, squares, draw(st.booleans()))
    if board.was_into_check():
        board.turn = not board.turn
    assume(board.is_valid())
    return board.mirror() if draw(st.booleans()) else board


def wins_by_the_laws(board: chess.Board) -> bool:
    """Can the side to move force mate before a draw is claimed? Without any table.

    For material in which the winning side has nothing to capture and no pawn, and in which every
    capture by the other side draws: then only mate wins. Plain recursion over all legal moves;
    the claim is python-chess's ``can_claim_fifty_moves`` (FIDE Laws of Chess, 9.3), asked of the
    side having the move. Cost grows with 100 less the halfmove clock.
    """
    return _attacker_wins(board, {})


def loses_by_the_laws(board: chess.Board) -> bool:
    """Is the side to move mated by force before it can claim? See ``wins_by_the_laws``."""
    return _defender_loses(board, {})


def _attacker_wins(board: chess.Board, seen: dict[str, bool]) -> bool:
    key = board.fen()
    if key not in seen:
        seen[key] = not board.is_seventyfive_moves() and any(
            _after(board, move, seen) for move in board.legal_moves
        )
    return seen[key]


def _after(board: chess.Board, move: chess.Move, seen: dict[str, bool]) -> bool:
    board.push(move)
    try:
        return _defender_loses(board, seen)
    finally:
        board.pop()


def _defender_loses(board: chess.Board, seen: dict[str, bool]) -> bool:
    if board.is_checkmate():
        return True
    if board.can_claim_fifty_moves() or board.is_insufficient_material():
        return False
    key = board.fen()
    if key not in seen:
        moves = list(board.legal_moves)
        seen[key] = bool(moves) and all(_reply(board, move, seen) for move in moves)
    return seen[key]


def _reply(board: chess.Board, move: chess.Move, seen: dict[str, bool]) -> bool:
    drawn_by_capture = board.is_capture(move)
    if drawn_by_capture:
        return False
    board.push(move)
    try:
        return _attacker_wins(board, seen)
    finally:
        board.pop()
