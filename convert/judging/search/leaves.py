"""Solved sets as bits, asked from within the search.

``pool`` holds words; a set is 64 of them a block (one for each square of the king of the side
that may lose), bit = square of the king of the side that may win; blocks run over the squares of
the other pieces, as in ``tablebases.solver``. ``heads`` is a directory by open addressing. A row
says where the sets of one slice begin: pieces (packed codes) and pawns as the side that may win
sees them, of two mirror images either. Of a slice of which only bounds are known two pairs of sets
are given: proved wins, and what is not proved to be no win.

A set holds what is won within the fifty-move rule with a clock of 0. So a win is told where the
clock stands at 0, or where it leaves room for the longest win of the slice; what is not won with
a clock of 0 is not won with any other. Positions with castling rights or an en passant capture
are not answered.
"""

from __future__ import annotations

from typing import Final

from convert.judging.search.moves import CASTLE, CLOCK, EP, MEN, SIDE, State
from convert.judging.search.words import (
    ONE,
    ZERO,
    Int,
    U,
    Word,
    count,
    flip_ranks,
    has,
    jitted,
    lowest,
)
from tablebases.solver.geometry import IMAGE, SLOT, TO_TRIANGLE

# Columns of the directory.
SLICE: Final = 0  # the slice's key, 0 an empty row
WON: Final = 1  # where a set begins: side that may win to move, won
LOST: Final = 2  # the other side to move, lost
WON_MOST: Final = 3  # the same, with everything that is not proved to be no win
LOST_MOST: Final = 4
SYMMETRIC: Final = 5
LONGEST: Final = 6  # plies of the longest win, to the next zeroing move or mate
COLUMNS: Final = 7

MOST_PIECES: Final = 4
"""Pieces other than kings and pawns that a slice may hold."""
FIFTY: Final = 100
UNKNOWN: Final = 2
Heads, Pool = Word[:, ::1], Word[::1]
_C1: Final = U(0x9E3779B97F4A7C15)
_C2: Final = U(0xBF58476D1CE4E5B9)
_C3: Final = U(0x94D049BB133111EB)


@jitted(Word(Word, Word, Word))
def slice_key(packed, own, other):
    """A key for pieces and pawns, mixed as by G. Steele, D. Lea and C. Flood (2014)."""
    x = packed * _C1 + own
    x = (x ^ (x >> U(30))) * _C2 + other
    x = (x ^ (x >> U(27))) * _C3
    return (x ^ (x >> U(31))) | ONE


@jitted(Word(Word))
def flip_files(w):
    w = ((w >> U(1)) & U(0x5555555555555555)) | ((w & U(0x5555555555555555)) << U(1))
    w = ((w >> U(2)) & U(0x3333333333333333)) | ((w & U(0x3333333333333333)) << U(2))
    return ((w >> U(4)) & U(0x0F0F0F0F0F0F0F0F)) | ((w & U(0x0F0F0F0F0F0F0F0F)) << U(4))


@jitted(Int(Heads, Word))
def find(heads, key):
    """Row of a slice, -1 if it is not there."""
    mask = len(heads) - 1
    at = Int(key >> U(32)) & mask
    while heads[at, SLICE] != ZERO:
        if heads[at, SLICE] == key:
            return at
        at = (at + 1) & mask
    return -1


@jitted(Int(State, Int, Int, Heads, Pool))
def wins(s, p, c, heads, pool):
    """Does side c win? 1 yes, 0 no, -1 not known."""
    own, other = s.pos[p, MEN + c], s.pos[p, MEN + 1 - c]
    mine, theirs = s.pos[p, 0] & own, s.pos[p, 0] & other
    if c:
        mine, theirs = flip_ranks(mine), flip_ranks(theirs)
    packed, places, k, up = ZERO, 0, 0, 56 if c else 0
    for code in range(8):
        men = s.pos[p, 1 + (code >> 1)] & (other if code & 1 else own)
        while men != ZERO:
            if k == MOST_PIECES:
                return -1
            packed |= U(code + 1) << U(4 * k)
            places = places << 6 | (lowest(men) ^ up)
            men &= men - ONE
            k += 1
    wk, bk = lowest(s.pos[p, 5] & own) ^ up, lowest(s.pos[p, 5] & other) ^ up
    row = find(heads, slice_key(packed, mine, theirs))
    if row < 0 and mine | theirs != ZERO:
        row = find(heads, slice_key(packed, flip_files(mine), flip_files(theirs)))
        places ^= 0o07070707 & ((1 << 6 * k) - 1)
        wk, bk = wk ^ 7, bk ^ 7
    if row < 0:
        return -1
    block = places
    if heads[row, SYMMETRIC] != ZERO:
        first = places >> 6 * (k - 1)
        g = TO_TRIANGLE[first]
        block, wk, bk = SLOT[first], IMAGE[g, wk], IMAGE[g, bk]
        for d in range(k - 2, -1, -1):
            block = block << 6 | IMAGE[g, places >> 6 * d & 63]
    moves = Int(s.pos[p, SIDE]) == c
    at = 64 * block + bk
    if has(pool[Int(heads[row, WON if moves else LOST]) + at], wk):
        clock = Int(s.pos[p, CLOCK])
        return 1 if clock == 0 or clock + Int(heads[row, LONGEST]) <= FIFTY else -1
    return -1 if has(pool[Int(heads[row, WON_MOST if moves else LOST_MOST]) + at], wk) else 0


@jitted(Int(State, Int, Heads, Pool))
def probe(s, p, heads, pool):
    """For the side to move: 1 won, 0 drawn, -1 lost, 2 not known."""
    if s.pos[p, EP] != U(64) or s.pos[p, CASTLE] != ZERO:
        return UNKNOWN
    c = Int(s.pos[p, SIDE])
    mine = wins(s, p, c, heads, pool)
    if mine == 1:
        return 1
    theirs = wins(s, p, 1 - c, heads, pool)
    if theirs == 1:
        return -1
    return 0 if mine == 0 and theirs == 0 else UNKNOWN


@jitted(Int(State, Int))
def men_of(s, p):
    return count(s.pos[p, MEN] | s.pos[p, MEN + 1])
