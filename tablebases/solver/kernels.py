"""The sweeps: one slice of positions solved as sets of 64-bit words.

A *slice* is a piece set with a fixed pawn structure. The question is always "which positions does
White win?"; Black's wins are White's wins of the slice with the colours swapped. For given squares
of the pieces other than the kings the positions form a *block* of 64 words: word ``i`` has the
black king on square ``i``, bit ``j`` of it has the white king on square ``j``. Two sets are kept:

* ``N``: White to move, legal, and **not** won;
* ``L``: Black to move, lost.

All moves that leave the slice (captures, pawn moves, promotions: *exits*) are read once, from the
sets of the slices they lead to. Quiet moves are then iterated ply by ply: with ``D(p)`` the losses
found at ply ``p``,

    D(p)   = {Black to move: no exit escapes, every quiet move leads to a win of at most p - 1}
    W(p+1) = {White to move, not yet won, with a quiet move into D(p)}

so ``p`` is the distance to the next zeroing move or mate (DTZ) in plies. A mate is found at ply 0,
a loss by zeroing moves alone at ply 1, a win by an exit at ply 1. This is retrograde analysis as
in Thompson, "Retrograde Analysis of Certain Endgames" (ICCA Journal 9/3, 1986), on sets.

Pieces are coded ``2 * kind + side`` with kind 0 N, 1 B, 2 R, 3 Q and side 0 White, 1 Black, in
ascending order. Slices without pawns and with two or more pieces keep the first piece in the
triangle a1-d1-d4 ("symmetric" slices); other squares are reached through one of the eight
symmetries of the board.

Exits are rows of integers, see ``ROW_*``. Nothing here knows a piece set: there is one kernel.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from tablebases.solver.bare import BARE, four_numbers, sixty_four_words
from tablebases.solver.geometry import (
    BETWEEN,
    BEYOND,
    IMAGE,
    KING_ATTACKS,
    KING_STEPS,
    KNIGHT_ATTACKS,
    KNIGHT_STEPS,
    PAWN_ATTACKS,
    RAYS,
    REACH,
    SLOT,
    TO_TRIANGLE,
    TRIANGLE,
    TWIN,
)

U = np.uint64
Int, Flag = np.int64, np.bool_
"""For numbers and flags that stand among the arguments of a call: each literal there would make
numba compile a version of the function by itself."""
ZERO: Final = U(0)
ONE: Final = U(1)
ALL: Final = U(0xFFFFFFFFFFFFFFFF)
NOT_A: Final = U(0xFEFEFEFEFEFEFEFE)
NOT_H: Final = U(0x7F7F7F7F7F7F7F7F)
LEFT = np.array([ALL if s % 8 else ZERO for s in range(64)], U)
RIGHT = np.array([ALL if s % 8 < 7 else ZERO for s in range(64)], U)
_MAGIC: Final = U(0x03F79D71B4CB0A89)
_MAGIC_AT = np.zeros(64, np.int64)
for _i in range(64):
    _MAGIC_AT[((int(_MAGIC) << _i) & 0xFFFFFFFFFFFFFFFF) >> 58] = _i

MOST_PIECES: Final = 4
"""Pieces other than kings and pawns that a slice may hold."""

# Columns of an exit row.
ROW_SIDE: Final = 0  # whose move
ROW_KIND: Final = 1
ROW_SQUARE: Final = 2  # a square that must be empty, or on which something is captured
ROW_TAKEN: Final = 3  # dimension of the captured piece, or -1
ROW_CHILD: Final = 4  # slice it leads to
ROW_MAP: Final = 5  # four columns: dimension of the parent, or -1 - square of a promoted piece
ROW_EP1: Final = 9  # slices reached by taking the pawn en passant, or NO_SLICE
ROW_EP2: Final = 10
ROW_SQUARE2: Final = 11  # a second square that must be empty, or -1
ROW_WIDTH: Final = 12

PAWN_MOVE: Final = 0  # to an empty square, or pawn takes pawn
PAWN_TAKES: Final = 1  # a pawn takes the piece ROW_TAKEN on ROW_SQUARE
TAKES_PAWN: Final = 2  # a piece or the king takes the pawn on ROW_SQUARE
TAKES_PIECE: Final = 3  # a piece or the king takes the piece ROW_TAKEN
OPEN_PROMOTION: Final = 5  # promotion into a slice that is not opened; the child is the position
OPEN_PROMOTION_TAKES: Final = 6  # after the new piece is taken at once
BLIND: Final = 7  # no exit: the slice is not looked into; ROW_SIDE says what stands for it

NOTHING_WON: Final = 0
ALL_WON: Final = 1

NO_SLICE: Final = -1

# Rows of the offsets table: where a slice's sets begin in the pool.
OFF_L: Final = 0
OFF_N: Final = 1
OFF_LATE_L: Final = 2  # without the fifty-move rule; the same as OFF_L where it changes nothing
OFF_LATE_N: Final = 3
OFF_STALE: Final = 4  # Black to move, stalemated but for an en passant capture; -1 if not kept
OFF_KEEP_C: Final = 5  # the sets before the first quiet move, for slices that are kept
OFF_KEEP_N: Final = 6
OFF_KEEP_LATE_C: Final = 7
OFF_KEEP_LATE_N: Final = 8
OFFSETS: Final = 9

LAST_TRUE_PLY: Final = 100
"""A win in more plies than this is too late under the fifty-move rule (values.py)."""


def _jit(function: Any) -> Any:
    """Compile without the interpreter's lock or references counted; kept between runs."""
    return njit(cache=True, nogil=True, boundscheck=False, **BARE)(function)


@njit(inline="always")
def bit(square):
    return ONE << U(square)


@njit(inline="always")
def has(word, square):
    return ((word >> U(square)) & ONE) != ZERO


@njit(inline="always")
def lowest(word):
    return _MAGIC_AT[((word & (ZERO - word)) * _MAGIC) >> U(58)]


@njit(inline="always")
def king_fill(word):
    row = ((word << ONE) & NOT_A) | ((word >> ONE) & NOT_H)
    rows = word | row
    return row | (rows << U(8)) | (rows >> U(8))


@njit(inline="always")
def first_ray(kind):
    return 4 if kind == 1 else 0


@njit(inline="always")
def last_ray(kind):
    return 4 if kind == 2 else 8


@_jit
def attacks(kind, square, occupied):
    """Squares attacked by a piece, the first man on each line included."""
    if kind == 0:
        return KNIGHT_ATTACKS[square]
    found = ZERO
    for direction in range(first_ray(kind), last_ray(kind)):
        for j in range(8):
            target = RAYS[direction, square, j]
            if target < 0:
                break
            found |= bit(target)
            if has(occupied, target):
                break
    return found


@_jit
def pawn_attacks(pawns, side):
    if side == 0:
        return ((pawns << U(7)) & NOT_H) | ((pawns << U(9)) & NOT_A)
    return ((pawns >> U(9)) & NOT_H) | ((pawns >> U(7)) & NOT_A)


# --- symmetric slices ------------------------------------------------------------------------


@_jit
def flip_words(words, g):
    """Mirror the squares within 64 words by the files (bit 0 of g) and the ranks (bit 1)."""
    if g & 1:
        for i in range(64):
            x = words[i]
            x = ((x >> U(1)) & U(0x5555555555555555)) | ((x & U(0x5555555555555555)) << U(1))
            x = ((x >> U(2)) & U(0x3333333333333333)) | ((x & U(0x3333333333333333)) << U(2))
            words[i] = ((x >> U(4)) & U(0x0F0F0F0F0F0F0F0F)) | ((x & U(0x0F0F0F0F0F0F0F0F)) << U(4))
    if g & 2:
        for i in range(64):
            x = words[i]
            x = ((x >> U(8)) & U(0x00FF00FF00FF00FF)) | ((x & U(0x00FF00FF00FF00FF)) << U(8))
            x = ((x >> U(16)) & U(0x0000FFFF0000FFFF)) | ((x & U(0x0000FFFF0000FFFF)) << U(16))
            words[i] = (x >> U(32)) | (x << U(32))


@_jit
def turn_words(words):
    """Mirror the squares within 64 words by the long diagonal a1-h8."""
    for i in range(64):
        x = words[i]
        y = (x ^ (x >> U(7))) & U(0x00AA00AA00AA00AA)
        x = x ^ y ^ (y << U(7))
        y = (x ^ (x >> U(14))) & U(0x0000CCCC0000CCCC)
        x = x ^ y ^ (y << U(14))
        y = (x ^ (x >> U(28))) & U(0x00000000F0F0F0F0)
        words[i] = x ^ y ^ (y << U(28))


@_jit
def block_at(k, symmetric, squares):
    """Number of the block; the first square of a symmetric slice must lie in the triangle."""
    block = 0
    if k > 0:
        block = SLOT[squares[0]] if symmetric else squares[0]
    for d in range(1, k):
        block = block * 64 + squares[d]
    return block


@_jit
def squares_of(block, k, symmetric, squares):
    for d in range(k - 1, 0, -1):
        squares[d] = block & 63
        block >>= 6
    if k > 0:
        squares[0] = TRIANGLE[block] if symmetric else block


@_jit
def image_block(k, g, squares):
    """Block of a symmetric slice that holds the image under g."""
    block = SLOT[IMAGE[g, squares[0]]]
    for d in range(1, k):
        block = block * 64 + IMAGE[g, squares[d]]
    return block


@_jit
def place_of(pool, offset, k, symmetric, squares, scratch, m):
    """Where the 64 words for these squares are: a block of the pool.

    Below nought: ``scratch[-1 - place]``, for no set at all and where a symmetry is at work.
    """
    if offset < 0:
        return -1
    if symmetric and TO_TRIANGLE[squares[0]] != 0:
        g = TO_TRIANGLE[squares[0]]
        source = pool[offset + image_block(k, g, squares)]
        out = scratch[m]
        if g & 4:
            for i in range(64):
                out[i] = source[IMAGE[g, i]]
            turn_words(out)
        else:
            up = 7 if g & 2 else 0
            for r in range(8):
                to = 8 * r
                at = 8 * (r ^ up)
                if g & 1:
                    for f in range(8):
                        out[to + f] = source[at + 7 - f]
                else:
                    for f in range(8):
                        out[to + f] = source[at + f]
        flip_words(out, g)
        return -1 - m
    return offset + block_at(k, symmetric, squares)


@njit(inline="always")
def fetch(pool, offset, k, symmetric, squares, scratch, m):
    """The 64 words for these squares; in ``scratch[m]`` where a symmetry is at work."""
    place = place_of(pool, offset, k, symmetric, squares, scratch, m)
    return pool[place] if place >= 0 else scratch[-1 - place]


# --- what is legal ---------------------------------------------------------------------------


@_jit
def valid_blocks(k, symmetric, pawns, out):
    """Blocks in which no two men share a square; returns their number."""
    squares = four_numbers()
    count = 0
    blocks = 1
    for d in range(k):
        blocks *= 10 if (d == 0 and symmetric) else 64
    for block in range(blocks):
        squares_of(block, k, symmetric, squares)
        occupied = pawns
        good = True
        for d in range(k):
            if has(occupied, squares[d]):
                good = False
                break
            occupied |= bit(squares[d])
        if good:
            out[count] = block
            count += 1
    return count


@_jit
def legal_block(squares, k, codes, wp, bp, n, l):
    """Legal placements of the kings: ``n`` with White to move, ``l`` with Black to move."""
    occupied = wp | bp
    for d in range(k):
        occupied |= bit(squares[d])
    by_white = pawn_attacks(wp, 0)
    by_black = pawn_attacks(bp, 1)
    for i in range(64):
        free = ~(KING_ATTACKS[i] | bit(i) | occupied)
        if has(occupied, i):
            free = ZERO
        l[i] = free & ~by_black
        n[i] = ZERO if has(by_white, i) else free
    for d in range(k):
        s = squares[d]
        a = attacks(codes[d] >> 1, s, occupied)
        if codes[d] & 1 == 0:
            for i in range(64):
                if has(a, i):
                    n[i] &= BETWEEN[s, i]
        else:
            for i in range(64):
                l[i] &= ~(a & ~BEYOND[s, i])


@_jit
def white_attacks(target, wk, squares, k, codes, skip, wp, occupied):
    if has(KING_ATTACKS[wk], target) or has(pawn_attacks(wp, 0), target):
        return True
    for d in range(k):
        if d == skip or codes[d] & 1:
            continue
        s = squares[d]
        if has(REACH[codes[d] >> 1, s], target) and (
            codes[d] >> 1 == 0 or (BETWEEN[s, target] & occupied) == ZERO
        ):
            return True
    return False


@_jit
def black_can_zero(bk, wk, squares, k, codes, wp, bp):
    """Has Black a legal capture or pawn move (en passant left aside)?"""
    occupied = wp | bp | bit(wk) | bit(bk)
    for d in range(k):
        occupied |= bit(squares[d])
    for j in range(8):
        t = KING_STEPS[bk, j]
        if t < 0:
            break
        if has(wp, t):
            if not white_attacks(
                t, wk, squares, k, codes, Int(-1), wp & ~bit(t), occupied & ~bit(bk)
            ):
                return True
        else:
            for d in range(k):
                if codes[d] & 1 == 0 and squares[d] == t:
                    if not white_attacks(t, wk, squares, k, codes, d, wp, occupied & ~bit(bk)):
                        return True
    for d in range(k):
        if codes[d] & 1 == 0:
            continue
        s = squares[d]
        a = attacks(codes[d] >> 1, s, occupied)
        left = occupied & ~bit(s)
        pawns = a & wp
        while pawns != ZERO:
            t = lowest(pawns)
            pawns &= pawns - ONE
            if not white_attacks(bk, wk, squares, k, codes, Int(-1), wp & ~bit(t), left):
                return True
        for e in range(k):
            if codes[e] & 1 == 0 and has(a, squares[e]):
                if not white_attacks(bk, wk, squares, k, codes, e, wp, left):
                    return True
    pawns = bp
    while pawns != ZERO:
        s = lowest(pawns)
        pawns &= pawns - ONE
        left = occupied & ~bit(s)
        t = s - 8
        if not has(occupied, t):
            if not white_attacks(bk, wk, squares, k, codes, Int(-1), wp, left | bit(t)):
                return True
            if s >= 48 and not has(occupied, t - 8):
                if not white_attacks(bk, wk, squares, k, codes, Int(-1), wp, left | bit(t - 8)):
                    return True
        targets = PAWN_ATTACKS[1, s] & wp
        while targets != ZERO:
            t = lowest(targets)
            targets &= targets - ONE
            if not white_attacks(bk, wk, squares, k, codes, Int(-1), wp & ~bit(t), left | bit(t)):
                return True
        for e in range(k):
            if codes[e] & 1 == 0 and has(PAWN_ATTACKS[1, s], squares[e]):
                if not white_attacks(bk, wk, squares, k, codes, e, wp, left | bit(squares[e])):
                    return True
    return False


@_jit
def en_passant_is_legal(bk, wk, squares, k, codes, wp, bp, wp_after, bp_after):
    """Is Black's king safe after an en passant capture that leaves these pawns?"""
    occupied = wp_after | bp_after | bit(wk) | bit(bk)
    for d in range(k):
        occupied |= bit(squares[d])
    if occupied == ZERO or (wp == wp_after and bp == bp_after):
        return False
    return not white_attacks(bk, wk, squares, k, codes, Int(-1), wp_after, occupied)


# --- exits -----------------------------------------------------------------------------------


@_jit
def read_exits(
    side, squares, k, codes, wp, bp, rows, first, last, K, SYM, WP, BP, OFF, late, pool, scratch, R
):
    """OR into ``R`` what the exits of one side reach.

    For White: placements from which an exit leads into a lost position of Black's. For Black:
    placements from which an exit leads into a position that White to move does not win.
    """
    occupied = wp | bp
    for d in range(k):
        occupied |= bit(squares[d])
    child_squares = four_numbers()
    off_l = OFF_LATE_L if late else OFF_L
    off_n = OFF_LATE_N if late else OFF_N
    for r in range(first, last):
        row = rows[r]
        if row[ROW_SIDE] != side:
            continue
        kind = row[ROW_KIND]
        a = row[ROW_SQUARE]
        taken = row[ROW_TAKEN]
        child = row[ROW_CHILD]
        ck = 0
        symmetric = False
        offset = -1
        if child >= 0:
            ck = K[child]
            symmetric = SYM[child] != 0
            wants_l = (side == 0) != (kind >= OPEN_PROMOTION)
            offset = OFF[off_l if wants_l else off_n, child]
            for j in range(ck):
                m = row[ROW_MAP + j]
                child_squares[j] = squares[m] if m >= 0 else -1 - m
        if kind == PAWN_MOVE:
            a2 = row[ROW_SQUARE2]
            if a >= 0 and has(occupied, a):
                continue
            if a2 >= 0 and has(occupied, a2):
                continue
            block = fetch(pool, offset, ck, symmetric, child_squares, scratch, Int(1))
            if child >= 0 and (row[ROW_EP1] != NO_SLICE or row[ROW_EP2] != NO_SLICE):
                after_double_step(
                    side,
                    row,
                    block,
                    child,
                    child_squares,
                    ck,
                    codes,
                    WP,
                    BP,
                    OFF,
                    off_l,
                    off_n,
                    pool,
                    scratch,
                )
                block = scratch[2]
            mask = ALL
            if a >= 0:
                mask &= ~bit(a)
            if a2 >= 0:
                mask &= ~bit(a2)
            kept = R[a] if a >= 0 else ZERO
            kept2 = R[a2] if a2 >= 0 else ZERO
            for i in range(64):
                R[i] |= block[i] & mask
            if a >= 0:
                R[a] = kept
            if a2 >= 0:
                R[a2] = kept2
        elif kind == PAWN_TAKES:
            if squares[taken] != a:
                continue
            block = fetch(pool, offset, ck, symmetric, child_squares, scratch, Int(1))
            for i in range(64):
                R[i] |= block[i]
        elif kind == TAKES_PAWN or kind == TAKES_PIECE:
            t = a if kind == TAKES_PAWN else squares[taken]
            for d in range(k):
                if codes[d] & 1 != side:
                    continue
                s = squares[d]
                ptype = codes[d] >> 1
                if not has(REACH[ptype, s], t):
                    continue
                path = ZERO if ptype == 0 else BETWEEN[s, t]
                if path & occupied != ZERO:
                    continue
                for j in range(ck):
                    if row[ROW_MAP + j] == d:
                        child_squares[j] = t
                block = fetch(pool, offset, ck, symmetric, child_squares, scratch, Int(1))
                for j in range(ck):
                    if row[ROW_MAP + j] == d:
                        child_squares[j] = s
                if path == ZERO:
                    for i in range(64):
                        R[i] |= block[i]
                else:
                    for i in range(64):
                        if not has(path, i):
                            R[i] |= block[i] & ~path
            block = fetch(pool, offset, ck, symmetric, child_squares, scratch, Int(1))
            if side == 0:
                near = KING_ATTACKS[t]
                shift = U(t)
                for i in range(64):
                    R[i] |= (ZERO - ((block[i] >> shift) & ONE)) & near
            else:
                word = block[t]
                for j in range(8):
                    i = KING_STEPS[t, j]
                    if i < 0:
                        break
                    R[i] |= word
        else:
            open_promotion(
                side,
                kind,
                a,
                taken,
                squares,
                k,
                codes,
                occupied,
                row,
                child_squares,
                ck,
                symmetric,
                offset,
                pool,
                scratch,
                R,
            )


@_jit
def after_double_step(
    side, row, block, child, child_squares, ck, codes, WP, BP, OFF, off_l, off_n, pool, scratch
):
    """Into ``scratch[2]`` the child's block as it stands when the pawn may be taken en passant."""
    out = scratch[2]
    for i in range(64):
        out[i] = block[i]
    wp = WP[child]
    bp = BP[child]
    if side == 0 and OFF[OFF_STALE, child] >= 0:
        stale = fetch(pool, OFF[OFF_STALE, child], ck, Flag(False), child_squares, scratch, Int(3))
        for i in range(64):
            word = stale[i]
            while word != ZERO:
                j = lowest(word)
                word &= word - ONE
                for e in (ROW_EP1, ROW_EP2):
                    ep = row[e]
                    if ep >= 0 and en_passant_is_legal(
                        i, j, child_squares, ck, codes, wp, bp, WP[ep], BP[ep]
                    ):
                        out[i] |= bit(j)
    for e in (ROW_EP1, ROW_EP2):
        ep = row[e]
        if ep == NO_SLICE:
            continue
        after = fetch(
            pool,
            OFF[off_n if side == 0 else off_l, ep],
            ck,
            Flag(False),
            child_squares,
            scratch,
            Int(4),
        )
        for i in range(64):
            out[i] &= ~after[i]


@_jit
def open_promotion(
    side,
    kind,
    a,
    taken,
    squares,
    k,
    codes,
    occupied,
    row,
    child_squares,
    ck,
    symmetric,
    offset,
    pool,
    scratch,
    R,
):
    """A promotion that is not modelled: it counts unless the new piece is taken at once.

    For White (upper bound): a win unless Black can take into a position that is not won.
    For Black (lower bound): an escape unless White can take into a position that is lost.
    """
    if kind == OPEN_PROMOTION_TAKES:
        if squares[taken] != a:
            return
    elif has(occupied, a):
        return
    answered = scratch[5]
    for i in range(64):
        answered[i] = ZERO
    if offset >= 0:
        block = fetch(pool, offset, ck, symmetric, child_squares, scratch, Int(1))
        if side == 0:
            word = block[a]
            for j in range(8):
                i = KING_STEPS[a, j]
                if i < 0:
                    break
                answered[i] = word
        else:
            for i in range(64):
                if has(block[i], a):
                    answered[i] = KING_ATTACKS[a]
        for d in range(k):
            if codes[d] & 1 == side or (kind == OPEN_PROMOTION_TAKES and d == taken):
                continue
            s = squares[d]
            ptype = codes[d] >> 1
            if not has(REACH[ptype, s], a):
                continue
            path = ZERO if ptype == 0 else BETWEEN[s, a]
            if path & occupied != ZERO:
                continue
            for j in range(ck):
                if row[ROW_MAP + j] == d:
                    child_squares[j] = a
            block = fetch(pool, offset, ck, symmetric, child_squares, scratch, Int(1))
            for j in range(ck):
                if row[ROW_MAP + j] == d:
                    child_squares[j] = s
            for i in range(64):
                if not has(path, i):
                    answered[i] |= block[i] & ~path
    mask = ALL if kind == OPEN_PROMOTION_TAKES else ~bit(a)
    for i in range(64):
        if kind == OPEN_PROMOTION_TAKES or i != a:
            R[i] |= ~answered[i] & mask


# --- quiet moves -----------------------------------------------------------------------------


@_jit
def black_quiet(pool, offset, block, squares, k, symmetric, codes, occupied, R, scratch, H):
    """OR into ``R`` the placements from which a quiet move of Black reaches the set at offset."""
    own = pool[offset + block]
    # The king: 64 words by rows, so left and right are neighbours in the array.
    H[8] = own[1]
    H[8 + 63] = own[62]
    for i in range(62):
        H[9 + i] = (own[i] & LEFT[i + 1]) | (own[i + 2] & RIGHT[i + 1])
    for i in range(64):
        R[i] |= H[8 + i]
    for i in range(64):
        H[8 + i] |= own[i]
    for i in range(64):
        R[i] |= H[i] | H[16 + i]
    for d in range(k):
        if codes[d] & 1 == 0:
            continue
        s = squares[d]
        kind = codes[d] >> 1
        turns = symmetric and d == 0
        stride = 1 << (6 * (k - 1 - d))
        if kind == 0:
            waiting = -1
            for j in range(8):
                t = KNIGHT_STEPS[s, j]
                if t < 0:
                    break
                if has(occupied, t):
                    continue
                if turns:
                    squares[0] = t
                    source = fetch(pool, offset, k, symmetric, squares, scratch, Int(1))
                    squares[0] = s
                    for i in range(64):
                        R[i] |= source[i]
                    continue
                o = offset + (block + (t - s) * stride)
                if waiting < 0:
                    waiting = o
                else:
                    # Two at a time: half the traffic to R.
                    for i in range(64):
                        R[i] |= pool[o, i] | pool[waiting, i]
                    waiting = -1
            if waiting >= 0:
                for i in range(64):
                    R[i] |= pool[waiting, i]
            continue
        for direction in range(first_ray(kind), last_ray(kind)):
            mask = ALL
            n = 0
            for j in range(8):
                t = RAYS[direction, s, j]
                if t < 0 or has(occupied, t):
                    break
                if turns:
                    squares[0] = t
                    source = fetch(pool, offset, k, symmetric, squares, scratch, Int(1))
                    squares[0] = s
                    for i in range(64):
                        R[i] |= source[i] & mask
                else:
                    o = offset + (block + (t - s) * stride)
                    for i in range(64):
                        R[i] |= pool[o, i] & mask
                # The squares passed must be empty of kings for the rest of the line.
                mask &= ~bit(t)
                H[96 + n] = R[t]
                n += 1
            for j in range(n - 1):
                R[RAYS[direction, s, j]] = H[96 + j]


@_jit
def mark_block(block, k, symmetric, squares, codes, occupied, queued, stamp):
    """Mark the blocks from which a quiet move of Black leads to this one, and this one."""
    queued[block] = stamp
    for d in range(k):
        if codes[d] & 1 == 0:
            continue
        s = squares[d]
        kind = codes[d] >> 1
        turns = symmetric and d == 0
        stride = 1 << (6 * (k - 1 - d))
        if kind == 0:
            for j in range(8):
                t = KNIGHT_STEPS[s, j]
                if t < 0:
                    break
                if has(occupied, t):
                    continue
                if turns:
                    mark_image(k, squares, t, queued, stamp)
                else:
                    queued[block + (t - s) * stride] = stamp
            continue
        for direction in range(first_ray(kind), last_ray(kind)):
            for j in range(8):
                t = RAYS[direction, s, j]
                if t < 0 or has(occupied, t):
                    break
                if turns:
                    mark_image(k, squares, t, queued, stamp)
                else:
                    queued[block + (t - s) * stride] = stamp


@_jit
def mark_image(k, squares, t, queued, stamp):
    s = squares[0]
    squares[0] = t
    g = TO_TRIANGLE[t]
    queued[image_block(k, g, squares)] = stamp
    if TWIN[t]:
        queued[image_block(k, g ^ 4, squares)] = stamp
    squares[0] = s


@_jit
def take_out(target, words, ply, dist, block, keep):
    """Remove words from a block of N; returns what changed, ORed together."""
    changed = ZERO
    if not keep:
        for i in range(64):
            x = target[i]
            y = x & ~words[i]
            changed |= x ^ y
            target[i] = y
        return changed
    for i in range(64):
        x = target[i]
        new = x & words[i]
        if new != ZERO:
            changed |= new
            target[i] = x & ~new
            while new != ZERO:
                dist[block, i, lowest(new)] = ply
                new &= new - ONE
    return changed


@_jit
def carry_over(target, carry, joins, square, ply, dist, block, keep):
    """``take_out`` for one square of a line, and what is carried on from it, in one pass."""
    mask = ~bit(square)
    if keep:
        changed = take_out(target, carry, ply, dist, block, keep)
        for i in range(64):
            carry[i] = (carry[i] & mask) | joins[i]
    else:
        changed = ZERO
        for i in range(64):
            x = target[i]
            c = carry[i]
            changed |= x & c
            target[i] = x & ~c
            carry[i] = (c & mask) | joins[i]
    carry[square] = joins[square]
    return changed


@_jit
def push_front(
    pool,
    off_n,
    fronts,
    f,
    front_blocks,
    n_front,
    k,
    symmetric,
    codes,
    pawns,
    ply,
    dist,
    keep,
    changed,
    where,
    scratch,
):
    """Take out of N all placements with a quiet move of White into the front.

    Along a line the front is swept once in each direction: what is carried from square to square
    loses the placements with a king on the square just passed and gains that square's own front.
    Blocks that change are stamped with ``ply`` in ``changed``.
    """
    squares = four_numbers()
    carry = sixty_four_words()
    none = sixty_four_words()
    for i in range(64):
        none[i] = ZERO
    for q in range(n_front):
        where[front_blocks[f, q]] = q
    for q in range(n_front):
        block = front_blocks[f, q]
        D = fronts[f, q]
        for i in range(64):
            carry[i] = king_fill(D[i])
        if take_out(pool[off_n + block], carry, ply, dist, block, keep) != ZERO:
            changed[block] = ply
        squares_of(block, k, symmetric, squares)
        for d in range(k):
            if codes[d] & 1:
                continue
            s = squares[d]
            rest = pawns
            for e in range(k):
                if e != d:
                    rest |= bit(squares[e])
            kind = codes[d] >> 1
            turns = symmetric and d == 0
            stride = 1 << (6 * (k - 1 - d))
            if kind == 0:
                for j in range(8):
                    t = KNIGHT_STEPS[s, j]
                    if t < 0:
                        break
                    if has(rest, t):
                        continue
                    if turns:
                        squares[0] = t
                        push_image(pool, off_n, squares, k, D, ply, dist, keep, changed, scratch)
                        squares[0] = s
                    else:
                        b = block + (t - s) * stride
                        if take_out(pool[off_n + b], D, ply, dist, b, keep) != ZERO:
                            changed[b] = ply
                continue
            for direction in range(first_ray(kind), last_ray(kind)):
                if turns:
                    for i in range(64):
                        carry[i] = D[i]
                    for j in range(8):
                        t = RAYS[direction, s, j]
                        if t < 0 or has(rest, t):
                            break
                        squares[0] = t
                        push_image(
                            pool, off_n, squares, k, carry, ply, dist, keep, changed, scratch
                        )
                        squares[0] = s
                        mask = ~bit(t)
                        for i in range(64):
                            carry[i] &= mask
                        carry[t] = ZERO
                    continue
                # Another block of the front behind this one carries it along.
                back = direction ^ 1 if direction < 4 else 11 - direction
                carried = False
                for j in range(8):
                    t = RAYS[back, s, j]
                    if t < 0 or has(rest, t):
                        break
                    if where[block + (t - s) * stride] >= 0:
                        carried = True
                        break
                if carried:
                    continue
                for i in range(64):
                    carry[i] = D[i]
                for j in range(8):
                    t = RAYS[direction, s, j]
                    if t < 0 or has(rest, t):
                        break
                    b = block + (t - s) * stride
                    w = where[b]
                    joins = fronts[f, w] if w >= 0 else none
                    if carry_over(pool[off_n + b], carry, joins, t, ply, dist, b, keep) != ZERO:
                        changed[b] = ply
    for q in range(n_front):
        where[front_blocks[f, q]] = -1


@_jit
def push_image(pool, off_n, squares, k, D, ply, dist, keep, changed, scratch):
    """``take_out`` for the image of these squares in a symmetric slice."""
    g = TO_TRIANGLE[squares[0]]
    out = scratch[6]
    words = scratch[7]
    for twin in range(2):
        if twin == 1:
            if not TWIN[squares[0]]:
                break
            g ^= 4
        for i in range(64):
            words[i] = D[i]
        flip_words(words, g)
        if g & 4:
            turn_words(words)
        for i in range(64):
            out[IMAGE[g, i]] = words[i]
        b = image_block(k, g, squares)
        if take_out(pool[off_n + b], out, ply, dist, b, keep) != ZERO:
            changed[b] = ply


# --- one slice -------------------------------------------------------------------------------


@_jit
def is_bare(k, codes, wp):
    """Has White nothing but his king?"""
    for d in range(k):
        if codes[d] & 1 == 0:
            return False
    return wp == ZERO


@_jit
def begin(
    k,
    symmetric,
    codes,
    wp,
    bp,
    rows,
    first,
    last,
    K,
    SYM,
    WP,
    BP,
    OFF,
    late,
    pool,
    off_l,
    off_n,
    off_stale,
    C,
    blocks,
    count,
    scratch,
    H,
    front_blocks,
    mates,
    nones,
):
    """Everything up to the first quiet move: exits, mates, stalemates.

    Leaves in ``C`` the placements with Black to move that no exit saves, in N what no exit wins,
    and in ``mates`` and ``nones`` (one block of words each for every block in ``front_blocks``)
    the mates and the losses by zeroing moves alone. L is left empty.

    Returns:
        The number of blocks in ``front_blocks``.
    """
    squares = four_numbers()
    R = sixty_four_words()
    quiet = sixty_four_words()
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        legal_block(squares, k, codes, wp, bp, pool[off_n + b], pool[off_l + b])
    if is_bare(k, codes, wp):
        # A bare king wins nothing; such a slice has no exits, so Black's moves are not listed.
        for q in range(count):
            b = blocks[q]
            for i in range(64):
                pool[off_l + b, i] = ZERO
                C[b, i] = ZERO
        return 0
    n = Int(0)
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        occupied = wp | bp
        for d in range(k):
            occupied |= bit(squares[d])
        for i in range(64):
            R[i] = ZERO
            quiet[i] = ZERO
        read_exits(
            Int(1),
            squares,
            k,
            codes,
            wp,
            bp,
            rows,
            first,
            last,
            K,
            SYM,
            WP,
            BP,
            OFF,
            late,
            pool,
            scratch,
            R,
        )
        black_quiet(pool, off_n, b, squares, k, symmetric, codes, occupied, quiet, scratch, H)
        any_stuck = ZERO
        legal = pool[off_l + b]
        for i in range(64):
            x = legal[i] & ~R[i]
            C[b, i] = x
            any_stuck |= x & ~quiet[i]
        if any_stuck == ZERO:
            continue
        found = ZERO
        for i in range(64):
            mates[n, i] = ZERO
            nones[n, i] = ZERO
            word = C[b, i] & ~quiet[i]
            while word != ZERO:
                j = lowest(word)
                word &= word - ONE
                if black_can_zero(i, j, squares, k, codes, wp, bp):
                    nones[n, i] |= bit(j)
                    found |= ONE
                elif has(pool[off_n + b, i], j):
                    # White to move would be legal here, so Black is not in check: stalemate.
                    C[b, i] &= ~bit(j)
                    if off_stale >= 0:
                        pool[off_stale + b, i] |= bit(j)
                else:
                    mates[n, i] |= bit(j)
                    found |= ONE
        if found != ZERO:
            front_blocks[n] = b
            n += 1
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        for i in range(64):
            R[i] = ZERO
        read_exits(
            Int(0),
            squares,
            k,
            codes,
            wp,
            bp,
            rows,
            first,
            last,
            K,
            SYM,
            WP,
            BP,
            OFF,
            late,
            pool,
            scratch,
            R,
        )
        for i in range(64):
            pool[off_n + b, i] &= ~R[i]
            pool[off_l + b, i] = ZERO
    return n


@_jit
def iterate(
    k,
    symmetric,
    codes,
    wp,
    bp,
    pool,
    off_l,
    off_n,
    C,
    state,
    fronts,
    front_blocks,
    blocks,
    count,
    queued,
    changed,
    where,
    limit,
    dist_w,
    dist_l,
    keep,
    scratch,
    H,
):
    """Quiet moves, ply by ply, up to ``limit`` or until nothing changes.

    ``state``: last ply done; length of its front; whether a block is marked for the next ply;
    which of the two fronts is current. Blocks are marked in ``queued`` with the ply at which to
    look at them; they are taken in their order, so that neighbours in memory come together.
    Returns True when nothing is left to do.
    """
    squares = four_numbers()
    R = sixty_four_words()
    pawns = wp | bp
    ply = state[0]
    n_front = state[1]
    waiting = state[2]
    f = state[3]
    while n_front > 0 or waiting > 0:
        if ply >= limit:
            break
        ply += 1
        g = 1 - f
        new_front = 0
        if waiting > 0:
            for q in range(count):
                b = blocks[q]
                if queued[b] != ply:
                    continue
                own_l = pool[off_l + b]
                left = ZERO
                for i in range(64):
                    left |= C[b, i] & ~own_l[i]
                if left == ZERO:
                    continue
                squares_of(b, k, symmetric, squares)
                occupied = pawns
                for d in range(k):
                    occupied |= bit(squares[d])
                for i in range(64):
                    R[i] = ZERO
                black_quiet(pool, off_n, b, squares, k, symmetric, codes, occupied, R, scratch, H)
                found = ZERO
                out = fronts[g, new_front]
                for i in range(64):
                    y = C[b, i] & ~(R[i] | own_l[i])
                    out[i] = y
                    found |= y
                if found == ZERO:
                    continue
                for i in range(64):
                    own_l[i] |= out[i]
                if keep:
                    for i in range(64):
                        word = out[i]
                        while word != ZERO:
                            dist_l[b, i, lowest(word)] = ply
                            word &= word - ONE
                front_blocks[g, new_front] = b
                new_front += 1
        waiting = 0
        if n_front > 0:
            push_front(
                pool,
                off_n,
                fronts,
                f,
                front_blocks,
                n_front,
                k,
                symmetric,
                codes,
                pawns,
                ply,
                dist_w,
                keep,
                changed,
                where,
                scratch,
            )
            for q in range(count):
                b = blocks[q]
                if changed[b] == ply:
                    waiting = 1
                    squares_of(b, k, symmetric, squares)
                    occupied = pawns
                    for d in range(k):
                        occupied |= bit(squares[d])
                    mark_block(b, k, symmetric, squares, codes, occupied, queued, ply + 1)
        n_front = new_front
        f = g
    state[0] = ply
    state[1] = n_front
    state[2] = waiting
    state[3] = f
    return n_front == 0 and waiting == 0


@_jit
def start_fronts(
    k,
    symmetric,
    codes,
    wp,
    bp,
    pool,
    off_l,
    off_n,
    n,
    front_blocks,
    fronts,
    state,
    queued,
    changed,
    where,
    blocks,
    count,
    dist_w,
    dist_l,
    keep,
    scratch,
):
    """Plies 0 and 1: mates (``fronts[1]``) and forced zeroing moves (``fronts[0]``).

    Both have ``n`` blocks, numbered in ``front_blocks[1]``. Every block is marked for ply 2.
    """
    for q in range(count):
        changed[blocks[q]] = 0
        where[blocks[q]] = -1
    front = 0
    for q in range(n):
        b = front_blocks[1, q]
        any_none = ZERO
        for i in range(64):
            any_none |= fronts[0, q, i]
            pool[off_l + b, i] |= fronts[1, q, i] | fronts[0, q, i]
        if keep:
            for i in range(64):
                word = fronts[0, q, i]
                while word != ZERO:
                    dist_l[b, i, lowest(word)] = 1
                    word &= word - ONE
                word = fronts[1, q, i]
                while word != ZERO:
                    dist_l[b, i, lowest(word)] = 0
                    word &= word - ONE
        if any_none != ZERO:
            for i in range(64):
                fronts[0, front, i] = fronts[0, q, i]
            front_blocks[0, front] = b
            front += 1
    push_front(
        pool,
        off_n,
        fronts,
        Int(1),
        front_blocks,
        n,
        k,
        symmetric,
        codes,
        wp | bp,
        Int(1),
        dist_w,
        keep,
        changed,
        where,
        scratch,
    )
    for q in range(count):
        queued[blocks[q]] = 2
    state[0] = 1
    state[1] = front
    state[2] = 1
    state[3] = 0


@_jit
def blocks_of(k, symmetric):
    """Number of blocks of a slice, those with men on one square included."""
    if k == 0:
        return 1
    count = 10 if symmetric else 64
    for _ in range(k - 1):
        count *= 64
    return count


@_jit
def children_are_late(rows, first, last, OFF):
    """Does the fifty-move rule change a set that one of the exits leads to?"""
    for r in range(first, last):
        for column in (ROW_CHILD, ROW_EP1, ROW_EP2):
            child = rows[r, column]
            if child >= 0 and (
                OFF[OFF_L, child] != OFF[OFF_LATE_L, child]
                or OFF[OFF_N, child] != OFF[OFF_LATE_N, child]
            ):
                return True
    return False


@_jit
def stand_in(won, k, symmetric, codes, wp, bp, pool, off_l, off_n, blocks, count):
    """The sets of a slice that is not looked into: of what is legal White wins all or nothing."""
    squares = four_numbers()
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        legal_block(squares, k, codes, wp, bp, pool[off_n + b], pool[off_l + b])
        nothing = (off_n if won else off_l) + b
        for i in range(64):
            pool[nothing, i] = ZERO


@_jit
def solve_batch(
    ids,
    start,
    K,
    SYM,
    CODES,
    WP,
    BP,
    ROW0,
    ROW1,
    rows,
    OFF,
    pool,
    PLIES,
    C,
    fronts,
    blocks2,
    queued,
    changed,
    where,
    blocks,
    state,
    dist_w,
    dist_l,
    scratch,
    H,
    limit,
    two_kinds,
):
    """Solve slices in the order given, each after those it leads to.

    With ``two_kinds`` wins within and beyond the fifty-move rule are kept apart. Without, there is
    one set: of wins in at most ``limit`` plies in every slice on the way.

    Returns the place in ``ids`` after the last slice done, as a number below ``len(ids)`` if that
    slice still needs ``late_stage``; its ``state`` and fronts are left in the scratch arrays.
    """
    for place in range(start, len(ids)):
        s = ids[place]
        k = K[s]
        symmetric = SYM[s] != 0
        codes = CODES[s]
        wp = WP[s]
        bp = BP[s]
        off_l = OFF[OFF_L, s]
        off_n = OFF[OFF_N, s]
        off_stale = OFF[OFF_STALE, s]
        size = blocks_of(k, symmetric)
        for b in range(size):
            for i in range(64):
                pool[off_l + b, i] = ZERO
                pool[off_n + b, i] = ZERO
        if off_stale >= 0:
            for b in range(size):
                for i in range(64):
                    pool[off_stale + b, i] = ZERO
        count = valid_blocks(k, symmetric, wp | bp, blocks)
        if ROW1[s] > ROW0[s] and rows[ROW0[s], ROW_KIND] == BLIND:
            won = rows[ROW0[s], ROW_SIDE] == ALL_WON
            stand_in(won, k, symmetric, codes, wp, bp, pool, off_l, off_n, blocks, count)
            PLIES[s] = 0
            OFF[OFF_LATE_L, s] = off_l
            OFF[OFF_LATE_N, s] = off_n
            continue
        n = begin(
            k,
            symmetric,
            codes,
            wp,
            bp,
            rows,
            ROW0[s],
            ROW1[s],
            K,
            SYM,
            WP,
            BP,
            OFF,
            Flag(False),
            pool,
            off_l,
            off_n,
            off_stale,
            C,
            blocks,
            count,
            scratch,
            H,
            blocks2[1],
            fronts[1],
            fronts[0],
        )
        if OFF[OFF_KEEP_C, s] >= 0:
            keep_c = OFF[OFF_KEEP_C, s]
            keep_n = OFF[OFF_KEEP_N, s]
            for b in range(size):
                for i in range(64):
                    pool[keep_c + b, i] = ZERO
                    pool[keep_n + b, i] = pool[off_n + b, i]
            for q in range(count):
                b = blocks[q]
                for i in range(64):
                    pool[keep_c + b, i] = C[b, i]
        start_fronts(
            k,
            symmetric,
            codes,
            wp,
            bp,
            pool,
            off_l,
            off_n,
            n,
            blocks2,
            fronts,
            state,
            queued,
            changed,
            where,
            blocks,
            count,
            dist_w,
            dist_l,
            Flag(False),
            scratch,
        )
        done = iterate(
            k,
            symmetric,
            codes,
            wp,
            bp,
            pool,
            off_l,
            off_n,
            C,
            state,
            fronts,
            blocks2,
            blocks,
            count,
            queued,
            changed,
            where,
            limit,
            dist_w,
            dist_l,
            Flag(False),
            scratch,
            H,
        )
        PLIES[s] = state[0]
        OFF[OFF_LATE_L, s] = off_l
        OFF[OFF_LATE_N, s] = off_n
        if two_kinds and (not done or children_are_late(rows, ROW0[s], ROW1[s], OFF)):
            state[4] = count
            return place
    return len(ids)


@_jit
def late_exits(
    s, K, SYM, CODES, WP, BP, ROW0, ROW1, rows, OFF, pool, C2, N2, L2, blocks, count, scratch, H
):
    """The sets before the first quiet move when the fifty-move rule is left aside.

    ``C2``, ``N2`` and ``L2`` are arrays of their own; the pool is only read.
    """
    k = K[s]
    symmetric = SYM[s] != 0
    codes = CODES[s]
    wp = WP[s]
    bp = BP[s]
    squares = four_numbers()
    R = sixty_four_words()
    quiet = sixty_four_words()
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        legal_block(squares, k, codes, wp, bp, N2[b], L2[b])
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        occupied = wp | bp
        for d in range(k):
            occupied |= bit(squares[d])
        for i in range(64):
            R[i] = ZERO
            quiet[i] = ZERO
        read_exits(
            Int(1),
            squares,
            k,
            codes,
            wp,
            bp,
            rows,
            ROW0[s],
            ROW1[s],
            K,
            SYM,
            WP,
            BP,
            OFF,
            Flag(True),
            pool,
            scratch,
            R,
        )
        black_quiet(N2, Int(0), b, squares, k, symmetric, codes, occupied, quiet, scratch, H)
        bare = is_bare(k, codes, wp)
        for i in range(64):
            C2[b, i] = ZERO if bare else L2[b, i] & ~R[i]
            word = C2[b, i] & ~quiet[i] & N2[b, i]
            while word != ZERO:
                j = lowest(word)
                word &= word - ONE
                if not black_can_zero(i, j, squares, k, codes, wp, bp):
                    C2[b, i] &= ~bit(j)
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        for i in range(64):
            R[i] = ZERO
        read_exits(
            Int(0),
            squares,
            k,
            codes,
            wp,
            bp,
            rows,
            ROW0[s],
            ROW1[s],
            K,
            SYM,
            WP,
            BP,
            OFF,
            Flag(True),
            pool,
            scratch,
            R,
        )
        for i in range(64):
            N2[b, i] &= ~R[i]


@_jit
def late_iterate(
    k,
    symmetric,
    codes,
    wp,
    bp,
    pool,
    off_l,
    off_n,
    C2,
    N2,
    has_exits,
    state,
    fronts,
    blocks2,
    queued,
    changed,
    where,
    blocks,
    count,
    dist_w,
    dist_l,
    keep,
    scratch,
    H,
):
    """Plies 101 and on, on copies of L and N; late exits count as a win in 101 plies."""
    if has_exits:
        state[0] = LAST_TRUE_PLY
        state[2] = 1
        for q in range(count):
            queued[blocks[q]] = LAST_TRUE_PLY + 1
        iterate(
            k,
            symmetric,
            codes,
            wp,
            bp,
            pool,
            off_l,
            off_n,
            C2,
            state,
            fronts,
            blocks2,
            blocks,
            count,
            queued,
            changed,
            where,
            Int(LAST_TRUE_PLY + 1),
            dist_w,
            dist_l,
            keep,
            scratch,
            H,
        )
        for q in range(count):
            b = blocks[q]
            for i in range(64):
                new = pool[off_n + b, i] & ~N2[b, i]
                pool[off_n + b, i] &= N2[b, i]
                if keep:
                    while new != ZERO:
                        dist_w[b, i, lowest(new)] = LAST_TRUE_PLY + 1
                        new &= new - ONE
            queued[b] = LAST_TRUE_PLY + 2
        state[2] = 1
    iterate(
        k,
        symmetric,
        codes,
        wp,
        bp,
        pool,
        off_l,
        off_n,
        C2,
        state,
        fronts,
        blocks2,
        blocks,
        count,
        queued,
        changed,
        where,
        Int(1 << 30),
        dist_w,
        dist_l,
        keep,
        scratch,
        H,
    )


@_jit
def restart(
    k,
    symmetric,
    codes,
    wp,
    bp,
    pool,
    off_l,
    off_n,
    kept_n,
    C,
    blocks,
    count,
    fronts,
    blocks2,
    queued,
    changed,
    where,
    state,
    dist_w,
    dist_l,
    scratch,
    H,
):
    """From kept sets (``C``, ``kept_n``) to the point where ``iterate`` takes over.

    Writes the distances of plies 0 and 1 (a mate is stored as 0).
    """
    squares = four_numbers()
    quiet = sixty_four_words()
    mates = fronts[1]
    nones = fronts[0]
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        legal_block(squares, k, codes, wp, bp, pool[off_n + b], pool[off_l + b])
    n = Int(0)
    for q in range(count):
        b = blocks[q]
        squares_of(b, k, symmetric, squares)
        occupied = wp | bp
        for d in range(k):
            occupied |= bit(squares[d])
        for i in range(64):
            quiet[i] = ZERO
        black_quiet(pool, off_n, b, squares, k, symmetric, codes, occupied, quiet, scratch, H)
        found = ZERO
        for i in range(64):
            mates[n, i] = ZERO
            nones[n, i] = ZERO
            word = C[b, i] & ~quiet[i]
            while word != ZERO:
                j = lowest(word)
                word &= word - ONE
                found |= ONE
                if black_can_zero(i, j, squares, k, codes, wp, bp):
                    nones[n, i] |= bit(j)
                else:
                    mates[n, i] |= bit(j)
        if found != ZERO:
            blocks2[1, n] = b
            n += 1
    for q in range(count):
        b = blocks[q]
        for i in range(64):
            new = pool[off_n + b, i] & ~kept_n[b, i]
            pool[off_n + b, i] = kept_n[b, i]
            pool[off_l + b, i] = ZERO
            while new != ZERO:
                dist_w[b, i, lowest(new)] = 1
                new &= new - ONE
    start_fronts(
        k,
        symmetric,
        codes,
        wp,
        bp,
        pool,
        off_l,
        off_n,
        n,
        blocks2,
        fronts,
        state,
        queued,
        changed,
        where,
        blocks,
        count,
        dist_w,
        dist_l,
        Flag(True),
        scratch,
    )
