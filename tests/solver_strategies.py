"""Positions for the tests of the retrograde solver: seeded generators and hypothesis strategies.

Every board made here is legal (``chess.Board.is_valid``), has no castling rights and the clock at
0. Material is named as for tables, White first ("KRPvKN"); a pawn structure is two sets of squares.
"""

from __future__ import annotations

import random
from collections import Counter
from typing import NamedTuple

import chess
from hypothesis import strategies as st

__all__ = [
    "Pawns",
    "boards_in_slice",
    "legal_boards",
    "mirror_files",
    "pawns_of",
    "random_ep",
    "random_legal",
    "random_structure",
    "structures",
]

_TRIES = 20_000


class Pawns(NamedTuple):
    """A pawn structure: the squares (0-63) of either side's pawns."""

    white: frozenset[int]
    black: frozenset[int]


def pawns_of(board: chess.Board) -> Pawns:
    """The pawn structure of a board."""
    return Pawns(
        frozenset(board.pieces(chess.PAWN, chess.WHITE)),
        frozenset(board.pieces(chess.PAWN, chess.BLACK)),
    )


def mirror_files(board: chess.Board) -> chess.Board:
    """The same position with left and right changed; no castling rights."""
    return board.transform(chess.flip_horizontal)


def random_legal(
    material: str,
    rng: random.Random,
    *,
    pawns: Pawns | None = None,
    turn: chess.Color | None = None,
) -> chess.Board:
    """A random legal position of some material, without an en passant right.

    Args:
        material: e.g. "KRPvKN".
        rng: source of chance.
        pawns: where the pawns stand; random squares of ranks 2 to 7 if None.
        turn: the side to move; either at random if None.

    Raises:
        ValueError: if ``pawns`` has other numbers of pawns than the material, or no legal
            position is found.
    """
    white, black = material.split("v")
    if pawns is not None and (len(pawns.white), len(pawns.black)) != (
        white.count("P"),
        black.count("P"),
    ):
        raise ValueError(f"the structure does not have the pawns of {material}")
    for _ in range(_TRIES):
        structure = pawns or random_structure(white.count("P"), black.count("P"), rng)
        side = rng.random() < 0.5 if turn is None else turn
        board = _scatter(_pieces(material), structure, side, rng)
        if board is not None:
            return board
    raise ValueError(f"no legal position of {material} found with {pawns}")


def random_ep(material: str, rng: random.Random) -> chess.Board:
    """A random legal position in which a pawn can legally be taken en passant.

    Made by playing a real double step: the position before it is legal too.

    Raises:
        ValueError: if a side has no pawn, or none is found.
    """
    white, black = material.split("v")
    for _ in range(_TRIES):
        mover = rng.random() < 0.5
        file = rng.randrange(8)
        beside = rng.choice([f for f in (file - 1, file + 1) if 0 <= f < 8])
        home, goal = (1, 3) if mover else (6, 4)
        step = chess.Move(chess.square(file, home), chess.square(file, goal))
        empty = {chess.square(file, rank) for rank in (2, 3)} if mover else set()
        empty |= {chess.square(file, rank) for rank in (5, 4)} if not mover else set()
        fixed = {mover: {step.from_square}, not mover: {chess.square(beside, goal)}}
        structure = _completed(
            fixed[chess.WHITE], fixed[chess.BLACK], white.count("P"), black.count("P"), empty, rng
        )
        board = _scatter(_pieces(material), structure, mover, rng)
        if board is None or step not in board.legal_moves:
            continue
        board.push(step)
        if board.has_legal_en_passant():
            board.clear_stack()
            return board
    raise ValueError(f"no en passant capture found with {material}")


def random_structure(n_white: int, n_black: int, rng: random.Random) -> Pawns:
    """A pawn structure on random squares of ranks 2 to 7."""
    return _completed(set(), set(), n_white, n_black, set(), rng)


def boards_in_slice(
    board: chess.Board, rng: random.Random, n: int, *, ep: bool = False
) -> list[chess.Board]:
    """Random legal positions with the same pawns and the same pieces on random squares.

    Args:
        board: a position of the slice.
        rng: source of chance; either side is to move.
        n: how many.
        ep: give every second position in which the pawns allow it the right to a legal en
            passant capture; without it no position has one.
    """
    pawns = pawns_of(board)
    pieces = [piece for piece in board.piece_map().values() if piece.piece_type != chess.PAWN]
    found: list[chess.Board] = []
    for _ in range(_TRIES + 200 * n):
        if len(found) == n:
            return found
        made = _scatter(pieces, pawns, rng.random() < 0.5, rng)
        if made is None:
            continue
        if ep and rng.random() < 0.5:
            made = _with_en_passant(made, rng)
        found.append(made)
    raise ValueError(f"too few legal positions like {board.fen()}")


@st.composite
def structures(draw: st.DrawFn, n_white: int, n_black: int) -> Pawns:
    """Pawn structures: so many pawns a side on different squares of ranks 2 to 7."""
    squares = draw(
        st.lists(
            st.integers(8, 55),
            min_size=n_white + n_black,
            max_size=n_white + n_black,
            unique=True,
        )
    )
    return Pawns(frozenset(squares[:n_white]), frozenset(squares[n_white:]))


@st.composite
def legal_boards(draw: st.DrawFn, materials: tuple[str, ...]) -> chess.Board:
    """Random legal positions of some material; shrinks towards the first material."""
    material = draw(st.sampled_from(materials))
    return random_legal(material, random.Random(draw(st.integers(0, 2**32 - 1))))


def _pieces(material: str) -> list[chess.Piece]:
    """All men of a material name but the pawns."""
    white, black = material.split("v")
    men = [chess.Piece.from_symbol(letter) for letter in white + black.lower()]
    return [man for man in men if man.piece_type != chess.PAWN]


def _completed(
    white: set[int],
    black: set[int],
    n_white: int,
    n_black: int,
    empty: set[int],
    rng: random.Random,
) -> Pawns:
    """These pawns and as many more as are missing, none on the squares to be kept empty."""
    missing = (n_white - len(white), n_black - len(black))
    if min(missing) < 0:
        raise ValueError("either side needs a pawn for an en passant capture")
    free = [square for square in range(8, 56) if square not in white | black | empty]
    more = rng.sample(free, sum(missing))
    return Pawns(
        frozenset(white.union(more[: missing[0]])), frozenset(black.union(more[missing[0] :]))
    )


def _scatter(
    pieces: list[chess.Piece], pawns: Pawns, turn: chess.Color, rng: random.Random
) -> chess.Board | None:
    """The pieces on random squares beside the pawns; None if that is not legal."""
    taken = pawns.white | pawns.black
    free = [square for square in range(64) if square not in taken]
    board = chess.Board(None)
    for square in pawns.white:
        board.set_piece_at(square, chess.Piece(chess.PAWN, chess.WHITE))
    for square in pawns.black:
        board.set_piece_at(square, chess.Piece(chess.PAWN, chess.BLACK))
    for piece, square in zip(pieces, rng.sample(free, len(pieces)), strict=True):
        board.set_piece_at(square, piece)
    board.turn = turn
    return board if board.is_valid() else None


def _with_en_passant(board: chess.Board, rng: random.Random) -> chess.Board:
    """The board with the right to a legal en passant capture if one can be given."""
    chances: list[chess.Board] = []
    for file in range(8):
        made = board.copy(stack=False)
        made.ep_square = chess.square(file, 5 if board.turn else 2)
        if made.is_valid() and made.has_legal_en_passant():
            chances.append(made)
    return rng.choice(chances) if chances else board


def material_counts(board: chess.Board) -> Counter[str]:
    """How many men of each kind and colour stand on the board, by their FEN letters."""
    return Counter(piece.symbol() for piece in board.piece_map().values())
