"""Words of 64 squares, and what pieces attack, for compiled code.

Squares are numbered as in python-chess (a1 = 0). Words are uint64; squares, counts and kinds are
int64. A word meets only words: uint64 with int64 gives a signed number or a float. Hence every
function has its signature.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import chess
import numpy as np
import numpy.typing as npt
from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic

from tablebases.solver.bare import BARE

U = np.uint64
ZERO: Final = U(0)
ONE: Final = U(1)
ALL: Final = U(0xFFFFFFFFFFFFFFFF)
Word, Int, Int32 = types.uint64, types.int64, types.int32
Bool, Void, Nothing = types.boolean, types.void, types.none


_later: list[tuple[Any, Any]] = []


def jitted(signature: Any, later: Any = None) -> Callable[[Any], Any]:
    """Machine code for one signature, kept between runs, without the interpreter's lock.

    Without it each literal argument (0, True) would make another version of a function, and those
    of a recursive one would call each other. A signature for ``later`` is compiled by
    ``compile_later``, after those of the functions that are called.
    """

    def decorate(function: Any) -> Any:
        made = njit(signature, cache=True, nogil=True, error_model="numpy", **BARE)(function)
        if signature is not None:
            made.disable_compile()
        if later is not None:
            _later.append((made, later))
        return made

    return decorate


def compile_later() -> None:
    """Compile what few runs need, or load it. Not for several threads at a time."""
    while _later:
        made, signature = _later[0]
        made.disable_compile(val=False)
        try:
            made.compile(signature)
        finally:
            made.disable_compile()
        del _later[0]


def _instruction(name: str, *extra: Any, gives: Any = types.int64) -> Any:
    """One machine instruction on a word, as a function of a uint64."""

    def typed(_context: Any, word: Any) -> Any:
        def code(_c: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            return getattr(builder, name)(arguments[0], *extra)

        return (gives(types.uint64), code) if word == types.uint64 else None

    return intrinsic(typed)


_DEFINED = ir.Constant(ir.IntType(1), 0)
count = _instruction("ctpop")
lowest = _instruction("cttz", _DEFINED)
flip_ranks = _instruction("bswap", gives=types.uint64)
_leading = _instruction("ctlz", _DEFINED)


@jitted(Int(Word))
def highest(word):
    return 63 - _leading(word)


@jitted(Word(Int))
def bit(square):
    return ONE << U(square)


@jitted(Bool(Word, Int))
def has(word, square):
    return (word >> U(square)) & ONE != ZERO


def _words(function: Callable[..., int], *shape: int) -> npt.NDArray[np.uint64]:
    out = np.zeros(shape, U)
    for at in np.ndindex(*shape):
        out[at] = U(int(function(*at)) & 0xFFFFFFFFFFFFFFFF)
    return out


def _ahead(side: int, square: int, files: range) -> int:
    """Squares in front of a square, on its file and those so far beside it."""
    ranks = range(square // 8) if side else range(square // 8 + 1, 8)
    return sum(
        1 << 8 * rank + square % 8 + step
        for rank in ranks
        for step in files
        if 0 <= square % 8 + step < 8
    )


KING: Final = _words(lambda s: chess.BB_KING_ATTACKS[s], 64)
KNIGHT: Final = _words(lambda s: chess.BB_KNIGHT_ATTACKS[s], 64)
PAWN: Final = _words(lambda c, s: chess.BB_PAWN_ATTACKS[1 - c][s], 2, 64)
"""What a pawn attacks, White's first."""
BETWEEN: Final = _words(chess.between, 64, 64)
LINE: Final = _words(chess.ray, 64, 64)
"""The whole line through two squares, 0 if there is none."""
RANK: Final = _words(lambda r: chess.BB_RANKS[r], 8)
FILE: Final = _words(lambda f: chess.BB_FILES[f], 8)
BESIDE: Final = _words(
    lambda f: (chess.BB_FILES[f - 1] if f else 0) | (chess.BB_FILES[f + 1] if f < 7 else 0), 8
)
AHEAD: Final = _words(lambda c, s: _ahead(c, s, range(-1, 2)), 2, 64)
"""In front of a square, on three files."""
PATH: Final = _words(lambda c, s: _ahead(c, s, range(1)), 2, 64)
"""In front of a square, on its file."""
DISTANCE: Final = np.array(
    [[chess.square_distance(a, b) for b in range(64)] for a in range(64)], np.int64
)
LIGHT: Final = U(chess.BB_LIGHT_SQUARES)
NOT_A: Final = U(0xFEFEFEFEFEFEFEFE)
NOT_H: Final = U(0x7F7F7F7F7F7F7F7F)


def _line(number: int, square: int, part: int) -> int:
    """Line 0 rank, 1 file, 2 and 3 diagonals; part 0 all of it, 1 below, 2 above the square."""
    df, dr = ((1, 0), (0, 1), (1, 1), (1, -1))[number]
    word = 0
    for sign in (1, -1):
        f, r = square % 8 + sign * df, square // 8 + sign * dr
        while 0 <= f < 8 and 0 <= r < 8:
            at = 8 * r + f
            if part == 0 or (at < square) == (part == 1):
                word |= 1 << at
            f, r = f + sign * df, r + sign * dr
    return word


LINES: Final = _words(_line, 4, 64, 3)


@jitted(Word(Int, Int, Word))
def line_attacks(number, square, occupied):
    """Obstruction difference: between the last man below and the first above, both included."""
    below = (LINES[number, square, 1] & occupied) | ONE
    above = LINES[number, square, 2] & occupied
    first_above = above & (ZERO - above)
    return LINES[number, square, 0] & ((first_above << ONE) - (ONE << U(highest(below))))


@jitted(Word(Int, Word))
def rook(square, occupied):
    return line_attacks(0, square, occupied) | line_attacks(1, square, occupied)


@jitted(Word(Int, Word))
def bishop(square, occupied):
    return line_attacks(2, square, occupied) | line_attacks(3, square, occupied)


@jitted(Word(Int, Int, Word))
def piece_attacks(kind, square, occupied):
    """What a knight (1), bishop, rook, queen or king (5) attacks."""
    if kind == 1:
        return KNIGHT[square]
    if kind == 5:
        return KING[square]
    result = ZERO
    if kind != 2:
        result |= rook(square, occupied)
    if kind != 3:
        result |= bishop(square, occupied)
    return result


@jitted(Word(Word, Int))
def pawn_attacks(pawns, side):
    """What all pawns of a side attack."""
    if side == 0:
        return ((pawns << U(7)) & NOT_H) | ((pawns << U(9)) & NOT_A)
    return ((pawns >> U(9)) & NOT_H) | ((pawns >> U(7)) & NOT_A)
