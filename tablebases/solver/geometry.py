"""Squares, rays and symmetries as arrays, for the kernels.

Squares are numbered as in python-chess: a1 = 0, b1 = 1, ..., h8 = 63. A set of squares is a
64-bit word with bit ``s`` set for square ``s``.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[np.uint64]
Ints = npt.NDArray[np.int64]

_KING: Final = ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1))
_KNIGHT: Final = ((1, 2), (2, 1), (-1, 2), (-2, 1), (1, -2), (2, -1), (-1, -2), (-2, -1))

TRIANGLE_SQUARES: Final = (0, 1, 2, 3, 9, 10, 11, 18, 19, 27)
"""a1 b1 c1 d1 b2 c2 d2 c3 d3 d4: one square of every class under the eight symmetries."""


def _step(square: int, df: int, dr: int) -> int | None:
    file, rank = square % 8 + df, square // 8 + dr
    return rank * 8 + file if 0 <= file < 8 and 0 <= rank < 8 else None


def _steps(directions: tuple[tuple[int, int], ...]) -> Ints:
    """Targets of a stepping piece: shape (64, 9), ended by -1."""
    table = np.full((64, 9), -1, np.int64)
    for square in range(64):
        targets = [t for df, dr in directions if (t := _step(square, df, dr)) is not None]
        table[square, : len(targets)] = targets
    return table


def _sets(table: Ints) -> Words:
    words = np.zeros(64, np.uint64)
    for square in range(64):
        words[square] = sum(1 << int(t) for t in table[square] if t >= 0)
    return words


def _rays() -> tuple[Ints, Words, Words]:
    """Rays (8, 64, 8) ended by -1, rook directions first; squares between and beyond (64, 64)."""
    rays = np.full((8, 64, 8), -1, np.int64)
    between = np.zeros((64, 64), np.uint64)
    beyond = np.zeros((64, 64), np.uint64)
    for direction, (df, dr) in enumerate(_KING):
        for square in range(64):
            seen = []
            target = _step(square, df, dr)
            while target is not None:
                seen.append(target)
                target = _step(target, df, dr)
            rays[direction, square, : len(seen)] = seen
            for i, target in enumerate(seen):
                between[square, target] = sum(1 << t for t in seen[:i])
                beyond[square, target] = sum(1 << t for t in seen[i + 1 :])
    return rays, between, beyond


def _pawn_attacks() -> Words:
    """Squares that a pawn attacks: shape (2, 64), White first."""
    words = np.zeros((2, 64), np.uint64)
    for side, dr in ((0, 1), (1, -1)):
        for square in range(64):
            targets = [_step(square, df, dr) for df in (-1, 1)]
            words[side, square] = sum(1 << t for t in targets if t is not None)
    return words


def _symmetries() -> tuple[Ints, Ints, Ints, Ints]:
    """Which of the eight symmetries brings a square into the triangle.

    A symmetry ``g`` mirrors the files (bit 0), then the ranks (bit 1), then the long diagonal
    (bit 2).

    Returns:
        ``map[g, square]``; ``to[square]`` = the symmetry used for it; ``slot[square]`` = place of
        its image among the triangle squares; ``twin[square]`` = 1 if the image lies on the
        diagonal, where a second symmetry leads to the same square.
    """
    image = np.zeros((8, 64), np.int64)
    for g in range(8):
        for square in range(64):
            target = square ^ (7 if g & 1 else 0) ^ (56 if g & 2 else 0)
            if g & 4:
                target = (target % 8) * 8 + target // 8
            image[g, square] = target
    to = np.zeros(64, np.int64)
    slot = np.zeros(64, np.int64)
    twin = np.zeros(64, np.int64)
    for square in range(64):
        g = next(g for g in range(8) if int(image[g, square]) in TRIANGLE_SQUARES)
        target = int(image[g, square])
        to[square], slot[square] = g, TRIANGLE_SQUARES.index(target)
        twin[square] = target % 8 == target // 8
    return image, to, slot, twin


KING_STEPS: Final = _steps(_KING)
KNIGHT_STEPS: Final = _steps(_KNIGHT)
KING_ATTACKS: Final = _sets(KING_STEPS)
KNIGHT_ATTACKS: Final = _sets(KNIGHT_STEPS)
RAYS, BETWEEN, BEYOND = _rays()
PAWN_ATTACKS: Final = _pawn_attacks()
IMAGE, TO_TRIANGLE, SLOT, TWIN = _symmetries()
TRIANGLE: Final = np.array(TRIANGLE_SQUARES, np.int64)


def _reach() -> Words:
    """Squares a piece reaches on an empty board: shape (4, 64) for N, B, R, Q."""
    words = np.zeros((4, 64), np.uint64)
    words[0] = KNIGHT_ATTACKS
    for kind, directions in ((1, range(4, 8)), (2, range(4)), (3, range(8))):
        for square in range(64):
            for direction in directions:
                for target in RAYS[direction, square]:
                    if target >= 0:
                        words[kind, square] |= np.uint64(1 << int(target))
    return words


REACH: Final = _reach()
