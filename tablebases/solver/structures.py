"""Which slices an ending leads to, and by which exits.

A slice is named by three numbers: the packed piece codes (four bits a piece, ``code + 1``, first
piece lowest), White's pawns and Black's pawns as words. From a root all slices that can be
reached are listed, each with its exit rows (``kernels``), in time proportional to their number.

What is *not* opened is treated so that the answer stays one-sided (see ``Scope``): in a lower
bound on White's wins a missing move of White's is not available to him and a missing move of
Black's saves Black; in an upper bound it is the other way round. If nothing is missing both are
exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from numba import njit

from tablebases.solver.bare import BARE
from tablebases.solver.kernels import (
    ALL_WON,
    BLIND,
    NO_SLICE,
    NOTHING_WON,
    OPEN_PROMOTION,
    OPEN_PROMOTION_TAKES,
    PAWN_MOVE,
    PAWN_TAKES,
    ROW_CHILD,
    ROW_EP1,
    ROW_EP2,
    ROW_KIND,
    ROW_MAP,
    ROW_SIDE,
    ROW_SQUARE,
    ROW_SQUARE2,
    ROW_TAKEN,
    ROW_WIDTH,
    TAKES_PAWN,
    TAKES_PIECE,
    bit,
    blocks_of,
    has,
    lowest,
)

LOWER: Final = 1
UPPER: Final = 2

ALL_KINDS: Final = 0b1111
QUEEN_ONLY: Final = 0b1000

PLAN_SLICE: Final = 600
PLAN_ROW: Final = 110
"""Bytes that listing and planning take at most for a slice and for an exit row, passing copies
included (``tests/tablebases/test_planning.py`` measures them)."""
_NO_BOUND: Final = 1 << 62
_STANDS_FOR: Final = {LOWER: NOTHING_WON, UPPER: ALL_WON}
"""What counts of a slice that is not looked into."""
_WORTH: Final = (3, 3, 5, 1)
"""Knight, bishop, rook, queen in ``standing``."""

U = np.uint64
Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Scope:
    """What is opened. Anything else is left out, soundly for the mode.

    Attributes:
        mode: ``LOWER`` or ``UPPER`` bound on White's wins.
        caps: most pieces other than kings and pawns, by number of pawns on the board (0 to 16).
        white_promotions: kinds White's pawns may turn into, as bits (1 knight ... 8 queen).
        black_promotions: the same for Black.
        budget: most pawn moves of the restricted side (White in a lower bound, Black in an upper
            one) on any way to an opened slice; -1 for no limit.
        counted: they are counted while so many pieces are on the board.
        losses: most that the restricted side may lose against its standing (``standing``) in the
            roots, the worst of them; slices in which it has lost more are not looked into. -1 for
            no limit.
        limit: most slices to open; beyond it nothing is returned.
        seconds: most work on the slices, as ``prices`` count it (``expand``); beyond it nothing
            is returned.
    """

    mode: int
    caps: tuple[int, ...]
    white_promotions: int = ALL_KINDS
    black_promotions: int = ALL_KINDS
    budget: int = -1
    counted: int = 1
    losses: int = -1
    limit: int = 1_000_000
    seconds: float = math.inf

    @property
    def told(self) -> str:
        """What is opened, as a short text; how much of it may be listed is no part of it."""
        kinds = f"{self.white_promotions} {self.black_promotions}"
        return f"{self.mode} {self.caps} {kinds} {self.budget} {self.counted} {self.losses}"


class TooLong(Exception):
    """More work than the scope allows: ``seconds`` for the ``slices`` listed so far."""

    def __init__(self, slices: int, seconds: float) -> None:
        super().__init__(slices, seconds)
        self.slices, self.seconds = slices, seconds


@dataclass(frozen=True)
class Structures:
    """Slices in the order in which they were found, roots first.

    Attributes:
        pieces: number of pieces other than kings and pawns, int64, shape (n,).
        symmetric: 1 where the eight symmetries are used, int64, shape (n,).
        codes: piece codes, int64, shape (n, 4).
        white, black: pawns as words, uint64, shape (n,).
        first, last: exit rows of each slice, int64, shape (n,).
        rows: exits, int32, shape (m, ROW_WIDTH).
        complete: 1 where no move is left out of the slice itself or of any that it leads to.
        blind: so many at the end are not looked into: in a lower bound nothing is won there, in an
            upper one everything that is legal.
    """

    pieces: Array
    symmetric: Array
    codes: Array
    white: Array
    black: Array
    first: Array
    last: Array
    rows: Array
    complete: Array
    blind: int

    def __len__(self) -> int:
        return len(self.pieces)

    @property
    def opened(self) -> int:
        """How many slices are looked into: those before the ``blind`` ones."""
        return len(self) - self.blind


@njit(cache=True)
def _popcount(x):
    n = 0
    while x != U(0):
        x &= x - U(1)
        n += 1
    return n


@njit(cache=True, **BARE)
def _unpack(packed, codes):
    k = 0
    while packed != 0:
        codes[k] = (packed & 15) - 1
        packed >>= 4
        k += 1
    return k


@njit(cache=True)
def _is_symmetric(k, white, black):
    """Are the eight symmetries of the board used for so many pieces and these pawns?"""
    return k >= 2 and white == U(0) and black == U(0)


@njit(cache=True, **BARE)
def _pack(codes, k):
    packed = 0
    for d in range(k - 1, -1, -1):
        packed = (packed << 4) | (codes[d] + 1)
    return packed


@njit(cache=True)
def _hash(packed, wp, bp):
    h = U(packed) * U(0x9E3779B97F4A7C15)
    h ^= wp * U(0xC2B2AE3D27D4EB4F)
    h ^= h >> U(29)
    h *= U(0xBF58476D1CE4E5B9)
    h ^= bp * U(0x94D049BB133111EB)
    h ^= h >> U(32)
    h *= U(0xD6E8FEB86659FD93)
    return h ^ (h >> U(29))


@njit(cache=True)
def grow_rows(rows):
    # Loops: assigning to a slice takes numba seconds to compile.
    bigger = np.empty((rows.shape[0] * 2, rows.shape[1]), rows.dtype)
    for i in range(rows.shape[0]):
        for j in range(rows.shape[1]):
            bigger[i, j] = rows[i, j]
    return bigger


@njit(cache=True)
def grow_ints(values):
    bigger = np.empty(values.shape[0] * 2, values.dtype)
    for i in range(values.shape[0]):
        bigger[i] = values[i]
    return bigger


@njit(cache=True)
def standing(packed, white, black, mode):
    """Men of the restricted side less the other's, in pawns.

    A knight or bishop counts three, a rook five, a queen one: so a pawn that is promoted neither
    adds to it nor makes up for others.
    """
    worth = _popcount(white) - _popcount(black)
    while packed != 0:
        code = (packed & 15) - 1
        value = _WORTH[code >> 1]
        worth += value if code & 1 == 0 else -value
        packed >>= 4
    return worth if mode == LOWER else -worth


@njit(cache=True, nogil=True)
def _expand(
    root_packed,
    root_white,
    root_black,
    mode,
    caps,
    white_kinds,
    black_kinds,
    budget,
    counted,
    limit,
    most_bytes,
    largest,
    prices,
    most_seconds,
    least,
):
    size = 1 << 12
    packed = np.empty(size, np.int64)
    white = np.empty(size, np.uint64)
    black = np.empty(size, np.uint64)
    first = np.empty(size, np.int64)
    last = np.empty(size, np.int64)
    label = np.empty(size, np.int64)
    table = np.full(1 << 14, -1, np.int64)
    rows = np.empty((1 << 14, ROW_WIDTH), np.int32)
    n = 0
    m = 0
    ok = True
    # Work lists: this label's slices and the next one's.
    now = np.empty(size, np.int64)
    later = np.empty(size, np.int64)
    n_now = 0
    n_later = 0
    opened = 0
    seconds = 0.0

    # Requests for children are collected here, then looked up in one place below.
    codes = np.zeros(5, np.int64)
    kept = np.zeros(5, np.int64)
    inserted = np.zeros(5, np.int64)
    move = np.zeros(5, np.int64)
    pending = 0
    room = max(512, len(root_packed))
    req_packed = np.empty(room, np.int64)
    req_white = np.empty(room, np.uint64)
    req_black = np.empty(room, np.uint64)
    req_row = np.empty(room, np.int64)
    req_column = np.empty(room, np.int64)
    req_cost = np.empty(room, np.int64)

    for r in range(len(root_packed)):
        req_packed[pending] = root_packed[r]
        req_white[pending] = root_white[r]
        req_black[pending] = root_black[r]
        req_row[pending] = -1
        req_column[pending] = 0
        req_cost[pending] = 0
        pending += 1
    current = 0
    at = 0
    while True:
        # 1. look up what was asked for
        for q in range(pending):
            if 2 * (n + 1) > len(table):
                bigger = np.full(len(table) * 2, -1, np.int64)
                for i in range(n):
                    h = _hash(packed[i], white[i], black[i]) & U(len(bigger) - 1)
                    while bigger[h] >= 0:
                        h = (h + U(1)) & U(len(bigger) - 1)
                    bigger[h] = i
                table = bigger
            h = _hash(req_packed[q], req_white[q], req_black[q]) & U(len(table) - 1)
            while table[h] >= 0:
                i = table[h]
                if (
                    packed[i] == req_packed[q]
                    and white[i] == req_white[q]
                    and black[i] == req_black[q]
                ):
                    break
                h = (h + U(1)) & U(len(table) - 1)
            i = table[h]
            cost = current + req_cost[q]
            if i < 0:
                i = n
                table[h] = i
                if n == len(packed):
                    packed = grow_ints(packed)
                    white = grow_ints(white)
                    black = grow_ints(black)
                    first = grow_ints(first)
                    last = grow_ints(last)
                    label = grow_ints(label)
                packed[n] = req_packed[q]
                white[n] = req_white[q]
                black[n] = req_black[q]
                first[n] = -1
                last[n] = -1
                # Nothing is cheaper than what is not to be opened.
                stands = standing(req_packed[q], req_white[q], req_black[q], mode) >= least
                label[n] = 1 << 40 if stands else -1
                n += 1
            if cost < label[i] and (budget < 0 or cost <= budget):
                k = 0
                left_packed = packed[i]
                while left_packed != 0:
                    left_packed >>= 4
                    k += 1
                if blocks_of(k, _is_symmetric(k, white[i], black[i])) > largest:
                    ok = False
                label[i] = cost
                if cost == current:
                    if n_now == len(now):
                        now = grow_ints(now)
                    now[n_now] = i
                    n_now += 1
                else:
                    if n_later == len(later):
                        later = grow_ints(later)
                    later[n_later] = i
                    n_later += 1
            if req_row[q] >= 0:
                rows[req_row[q], req_column[q]] = i
        pending = 0
        if not ok or PLAN_SLICE * n + PLAN_ROW * m > most_bytes:
            ok = False
            break
        # 2. next slice to open
        while at < n_now and first[now[at]] >= 0:
            at += 1
        if at == n_now:
            if n_later == 0:
                break
            now, later = later, now
            n_now = n_later
            n_later = 0
            at = 0
            current += 1
            continue
        s = now[at]
        at += 1
        opened += 1
        if opened > limit:
            ok = False
            break
        if m + 256 > rows.shape[0]:
            rows = grow_rows(rows)
        # 3. its exits
        first[s] = m
        k = _unpack(packed[s], codes)
        wp = white[s]
        bp = black[s]
        seconds += prices[1 if _is_symmetric(k, wp, bp) else 0, k]
        if seconds > most_seconds:
            ok = False
            break
        any_white = wp != U(0)
        for d in range(k):
            if codes[d] & 1 == 0:
                any_white = True
        if not any_white:
            last[s] = m
            continue
        occupied = wp | bp
        n_pawns = _popcount(occupied)
        for side in range(2):
            own = wp if side == 0 else bp
            enemy = bp if side == 0 else wp
            kinds = white_kinds if side == 0 else black_kinds
            restricted = (mode == LOWER) == (side == 0)
            step_cost = 1 if (restricted and k >= counted) else 0
            pawns = own
            while pawns != U(0):
                p = lowest(pawns)
                pawns &= pawns - U(1)
                b = bit(p)
                t = p + 8 if side == 0 else p - 8
                promotes = t >= 56 if side == 0 else t < 8
                for way in range(3):
                    # 0: straight on; 1 and 2: captures to the two sides
                    if way == 0:
                        target = t
                        if has(occupied, target):
                            continue
                    else:
                        df = -1 if way == 1 else 1
                        f = (p & 7) + df
                        if f < 0 or f > 7:
                            continue
                        target = t + df
                        if has(own, target):
                            continue
                    if way > 0 and has(enemy, target):
                        # pawn takes pawn (never on the last rank)
                        left = enemy & ~bit(target)
                        now_own = (own & ~b) | bit(target)
                        rows[m, ROW_SIDE] = side
                        rows[m, ROW_KIND] = PAWN_MOVE
                        rows[m, ROW_SQUARE] = -1
                        rows[m, ROW_SQUARE2] = -1
                        rows[m, ROW_TAKEN] = -1
                        rows[m, ROW_EP1] = NO_SLICE
                        rows[m, ROW_EP2] = NO_SLICE
                        for j in range(4):
                            rows[m, ROW_MAP + j] = j
                        req_packed[pending] = packed[s]
                        req_white[pending] = now_own if side == 0 else left
                        req_black[pending] = left if side == 0 else now_own
                        req_row[pending] = m
                        req_column[pending] = ROW_CHILD
                        req_cost[pending] = step_cost
                        pending += 1
                        m += 1
                        continue
                    for taken in range(-1, k):
                        if way == 0 and taken >= 0:
                            break
                        if way > 0 and (taken < 0 or codes[taken] & 1 == side):
                            continue
                        # the pieces left
                        kk = 0
                        for d in range(k):
                            if d != taken:
                                kept[kk] = codes[d]
                                move[kk] = d
                                kk += 1
                        if not promotes:
                            double = 0
                            if way == 0 and (p < 16 if side == 0 else p >= 48):
                                t2 = target + 8 if side == 0 else target - 8
                                if not has(occupied, t2):
                                    double = 1
                            for length in range(1 + double):
                                to = target if length == 0 else t2
                                now_own = (own & ~b) | bit(to)
                                rows[m, ROW_SIDE] = side
                                rows[m, ROW_KIND] = PAWN_MOVE if way == 0 else PAWN_TAKES
                                rows[m, ROW_SQUARE] = to
                                rows[m, ROW_SQUARE2] = target if length == 1 else -1
                                rows[m, ROW_TAKEN] = taken
                                rows[m, ROW_EP1] = NO_SLICE
                                rows[m, ROW_EP2] = NO_SLICE
                                for j in range(4):
                                    rows[m, ROW_MAP + j] = move[j] if j < kk else 0
                                child_packed = _pack(kept, kk)
                                req_packed[pending] = child_packed
                                req_white[pending] = now_own if side == 0 else enemy
                                req_black[pending] = enemy if side == 0 else now_own
                                req_row[pending] = m
                                req_column[pending] = ROW_CHILD
                                req_cost[pending] = step_cost
                                pending += 1
                                if length == 1:
                                    column = ROW_EP1
                                    for df in (-1, 1):
                                        f = (to & 7) + df
                                        if f < 0 or f > 7 or not has(enemy, to + df):
                                            continue
                                        # the enemy pawn takes on the square passed
                                        enemy_after = (enemy & ~bit(to + df)) | bit(target)
                                        own_after = now_own & ~bit(to)
                                        req_packed[pending] = child_packed
                                        req_white[pending] = own_after if side == 0 else enemy_after
                                        req_black[pending] = enemy_after if side == 0 else own_after
                                        req_row[pending] = m
                                        req_column[pending] = column
                                        # the reply costs the enemy, the step costs this side
                                        enemy_cost = 1 if (not restricted and k >= counted) else 0
                                        req_cost[pending] = step_cost + enemy_cost
                                        pending += 1
                                        column = ROW_EP2
                                m += 1
                            continue
                        # promotions
                        missing = False
                        cap = caps[n_pawns - 1]
                        for kind in range(3, -1, -1):
                            if not (kinds >> kind) & 1 or kk + 1 > cap:
                                missing = True
                                continue
                            code = 2 * kind + side
                            placed = 0
                            jj = 0
                            for j in range(kk):
                                if placed == 0 and code < kept[j]:
                                    inserted[jj] = code
                                    rows[m, ROW_MAP + jj] = -1 - target
                                    jj += 1
                                    placed = 1
                                inserted[jj] = kept[j]
                                rows[m, ROW_MAP + jj] = move[j]
                                jj += 1
                            if placed == 0:
                                inserted[jj] = code
                                rows[m, ROW_MAP + jj] = -1 - target
                                jj += 1
                            for j in range(jj, 4):
                                rows[m, ROW_MAP + j] = 0
                            now_own = own & ~b
                            rows[m, ROW_SIDE] = side
                            rows[m, ROW_KIND] = PAWN_MOVE if way == 0 else PAWN_TAKES
                            rows[m, ROW_SQUARE] = target
                            rows[m, ROW_SQUARE2] = -1
                            rows[m, ROW_TAKEN] = taken
                            rows[m, ROW_EP1] = NO_SLICE
                            rows[m, ROW_EP2] = NO_SLICE
                            req_packed[pending] = _pack(inserted, jj)
                            req_white[pending] = now_own if side == 0 else enemy
                            req_black[pending] = enemy if side == 0 else now_own
                            req_row[pending] = m
                            req_column[pending] = ROW_CHILD
                            req_cost[pending] = step_cost
                            pending += 1
                            m += 1
                        if missing:
                            now_own = own & ~b
                            rows[m, ROW_SIDE] = side
                            rows[m, ROW_KIND] = OPEN_PROMOTION if way == 0 else OPEN_PROMOTION_TAKES
                            rows[m, ROW_SQUARE] = target
                            rows[m, ROW_SQUARE2] = -1
                            rows[m, ROW_TAKEN] = taken
                            rows[m, ROW_CHILD] = -1
                            rows[m, ROW_EP1] = NO_SLICE
                            rows[m, ROW_EP2] = NO_SLICE
                            for j in range(4):
                                rows[m, ROW_MAP + j] = move[j] if j < kk else 0
                            if not restricted:
                                req_packed[pending] = _pack(kept, kk)
                                req_white[pending] = now_own if side == 0 else enemy
                                req_black[pending] = enemy if side == 0 else now_own
                                req_row[pending] = m
                                req_column[pending] = ROW_CHILD
                                req_cost[pending] = step_cost
                                pending += 1
                            m += 1
            # captures by pieces and king
            victims = enemy
            while victims != U(0):
                t = lowest(victims)
                victims &= victims - U(1)
                rows[m, ROW_SIDE] = side
                rows[m, ROW_KIND] = TAKES_PAWN
                rows[m, ROW_SQUARE] = t
                rows[m, ROW_SQUARE2] = -1
                rows[m, ROW_TAKEN] = -1
                rows[m, ROW_EP1] = NO_SLICE
                rows[m, ROW_EP2] = NO_SLICE
                for j in range(4):
                    rows[m, ROW_MAP + j] = j
                left = enemy & ~bit(t)
                req_packed[pending] = packed[s]
                req_white[pending] = own if side == 0 else left
                req_black[pending] = left if side == 0 else own
                req_row[pending] = m
                req_column[pending] = ROW_CHILD
                req_cost[pending] = 0
                pending += 1
                m += 1
            for taken in range(k):
                if codes[taken] & 1 == side:
                    continue
                kk = 0
                for d in range(k):
                    if d != taken:
                        kept[kk] = codes[d]
                        move[kk] = d
                        kk += 1
                rows[m, ROW_SIDE] = side
                rows[m, ROW_KIND] = TAKES_PIECE
                rows[m, ROW_SQUARE] = -1
                rows[m, ROW_SQUARE2] = -1
                rows[m, ROW_TAKEN] = taken
                rows[m, ROW_EP1] = NO_SLICE
                rows[m, ROW_EP2] = NO_SLICE
                for j in range(4):
                    rows[m, ROW_MAP + j] = move[j] if j < kk else 0
                req_packed[pending] = _pack(kept, kk)
                req_white[pending] = wp
                req_black[pending] = bp
                req_row[pending] = m
                req_column[pending] = ROW_CHILD
                req_cost[pending] = 0
                pending += 1
                m += 1
        last[s] = m

    return ok, opened, seconds, packed[:n], white[:n], black[:n], first[:n], last[:n], rows[:m]


@njit(cache=True, nogil=True)
def _finish(packed, white, black, first, last, rows, mode, stands_for, in_order):
    """Number the opened slices, drop or close what leads to others, find what is complete.

    Slices that are not opened and that the side which is not restricted may go to stand behind
    the others: they are not looked into.
    """
    n = len(packed)
    number = np.full(n, -1, np.int64)
    opened = 0
    for s in range(n):
        if first[s] >= 0:
            number[s] = opened
            opened += 1
    count = opened
    for s in range(n):
        for r in range(first[s], last[s]):
            restricted = (mode == LOWER) == (rows[r, ROW_SIDE] == 0)
            if restricted and not 0 <= number[rows[r, ROW_CHILD]] < opened:
                continue
            # Its own move leads to what is opened; to take en passant then is the other side's.
            for c in (ROW_CHILD, ROW_EP1, ROW_EP2):
                child = rows[r, c]
                if restricted == (c != ROW_CHILD) and child >= 0 and number[child] < 0:
                    number[child] = count
                    count += 1
    pieces = np.empty(count, np.int64)
    symmetric = np.empty(count, np.int64)
    codes = np.zeros((count, 4), np.int64)
    new_white = np.empty(count, np.uint64)
    new_black = np.empty(count, np.uint64)
    new_first = np.empty(count, np.int64)
    new_last = np.empty(count, np.int64)
    whole = np.ones(count, np.int64)
    unpacked = np.zeros(5, np.int64)
    for s in range(n):
        i = number[s]
        if i < 0:
            continue
        k = _unpack(packed[s], unpacked)
        pieces[i] = k
        for d in range(k):
            codes[i, d] = unpacked[d]
        new_white[i] = white[s]
        new_black[i] = black[s]
        symmetric[i] = 1 if _is_symmetric(k, white[s], black[s]) else 0
    m = 0
    # Rows are moved up in place, so slices must be taken in the order of their rows.
    for s in in_order:
        if first[s] < 0:
            continue
        i = number[s]
        begin = m
        for r in range(first[s], last[s]):
            side = rows[r, ROW_SIDE]
            restricted = (mode == LOWER) == (side == 0)
            child = number[rows[r, ROW_CHILD]] if rows[r, ROW_CHILD] >= 0 else -1
            promotes_blind = rows[r, ROW_KIND] >= OPEN_PROMOTION
            if restricted and (child < 0 or child >= opened):
                whole[i] = 0
                continue
            if m != r:
                for c in range(ROW_WIDTH):
                    rows[m, c] = rows[r, c]
            if promotes_blind:
                whole[i] = 0
            rows[m, ROW_CHILD] = child
            if rows[m, ROW_KIND] == PAWN_MOVE:
                # The child's own legality keeps the target square free.
                rows[m, ROW_SQUARE] = rows[m, ROW_SQUARE2]
                rows[m, ROW_SQUARE2] = -1
            for e in (ROW_EP1, ROW_EP2):
                if rows[m, e] >= 0:
                    # A capture that is not opened is one that the restricted side has not got.
                    rows[m, e] = number[rows[m, e]]
                    if rows[m, e] < 0:
                        whole[i] = 0
            m += 1
        new_first[i] = begin
        new_last[i] = m
    kept = rows[:m]
    if count > opened:
        kept = np.full((m + count - opened, ROW_WIDTH), -1, np.int32)
        for r in range(m):
            for c in range(ROW_WIDTH):
                kept[r, c] = rows[r, c]
    for i in range(opened, count):
        whole[i] = 0
        new_first[i] = m
        kept[m, ROW_KIND] = BLIND
        kept[m, ROW_SIDE] = stands_for
        m += 1
        new_last[i] = m
    return (
        pieces,
        symmetric,
        codes,
        new_white,
        new_black,
        new_first,
        new_last,
        kept,
        whole,
        count - opened,
    )


def expand(
    roots: list[tuple[int, int, int]],
    scope: Scope,
    *,
    room: int | None = None,
    largest: int | None = None,
    prices: Array | None = None,
) -> Structures | None:
    """All slices reachable from ``roots`` (packed codes, White's pawns, Black's pawns).

    Args:
        roots: where to begin.
        scope: what is opened.
        room: most bytes that the list and a plan of it may take; None for no bound.
        largest: most blocks of a slice; None for no bound.
        prices: seconds of work on a slice by its number of pieces, float64, shape (2, 5): plain
            and symmetric ones; None: all cost nothing. What is not looked into is not counted.

    Returns:
        None if there are more than ``scope.limit``, if they do not fit into ``room``, or if one is
        larger than ``largest``: nothing more is looked for then.

    Raises:
        TooLong: they would cost more than ``scope.seconds``; nothing more was looked for.
    """
    least = -_NO_BOUND
    if scope.losses >= 0:
        worst = min(standing(codes, U(w), U(b), scope.mode) for codes, w, b in roots)
        least = worst - scope.losses
    caps = np.array(scope.caps + (scope.caps[-1],) * (17 - len(scope.caps)), np.int64)
    ok, opened, seconds, packed, white, black, first, last, rows = _expand(
        np.array([r[0] for r in roots], np.int64),
        np.array([r[1] for r in roots], np.uint64),
        np.array([r[2] for r in roots], np.uint64),
        scope.mode,
        caps,
        scope.white_promotions,
        scope.black_promotions,
        scope.budget,
        scope.counted,
        scope.limit,
        _NO_BOUND if room is None else max(0, min(room, _NO_BOUND)),
        _NO_BOUND if largest is None else max(0, min(largest, _NO_BOUND)),
        np.zeros((2, 5)) if prices is None else prices,
        scope.seconds,
        least,
    )
    if not ok and seconds > scope.seconds:
        raise TooLong(int(opened), float(seconds))
    if not ok:
        return None
    # Sorted outside of compiled code here and below: numba takes seconds to compile a sort.
    in_order = np.argsort(first)
    stands_for = _STANDS_FOR[scope.mode]
    found = _finish(packed, white, black, first, last, rows, scope.mode, stands_for, in_order)
    structures = Structures(*found)
    _spread(structures)
    return structures


def _spread(structures: Structures) -> None:
    """A slice is complete only if all that it leads to are."""
    spread_incomplete(structures.first, structures.last, structures.rows, structures.complete)


@njit(cache=True)
def spread_incomplete(first, last, rows, complete):
    """Let a mark stand (1) only where it stands in all slices that a slice leads to as well."""
    changed = True
    while changed:
        changed = False
        for s in range(len(first) - 1, -1, -1):
            if complete[s] == 0:
                continue
            for r in range(first[s], last[s]):
                for c in (ROW_CHILD, ROW_EP1, ROW_EP2):
                    child = rows[r, c]
                    if child >= 0 and complete[child] == 0:
                        complete[s] = 0
                        changed = True
                        break
                if complete[s] == 0:
                    break


@njit(cache=True, nogil=True)
def depth_first(first, last, rows, reverse):
    """Slices so ordered that each comes after all that it leads to."""
    n = len(first)
    order = np.empty(n, np.int64)
    seen = np.zeros(n, np.uint8)
    stack = np.empty(n + 1, np.int64)
    at = np.empty(n + 1, np.int64)
    count = 0
    for root in range(n):
        if seen[root]:
            continue
        seen[root] = 1
        top = 0
        stack[0] = root
        at[0] = 0
        while top >= 0:
            s = stack[top]
            width = (last[s] - first[s]) * 3
            pushed = False
            while at[top] < width:
                j = at[top]
                at[top] += 1
                if reverse:
                    j = width - 1 - j
                r = first[s] + j // 3
                c = j % 3
                child = rows[r, ROW_CHILD if c == 0 else (ROW_EP1 if c == 1 else ROW_EP2)]
                if child >= 0 and not seen[child]:
                    seen[child] = 1
                    top += 1
                    stack[top] = child
                    at[top] = 0
                    pushed = True
                    break
            if not pushed:
                order[count] = s
                count += 1
                top -= 1
    return order


def by_levels(first: Array, last: Array, rows: Array, order: Array) -> Array:
    """The same slices, those first from which the fewest exits in a row lead on."""
    return order[np.argsort(_levels(first, last, rows, order)[order], kind="stable")]


@njit(cache=True, nogil=True)
def _levels(first, last, rows, order):
    n = len(order)
    level = np.zeros(n, np.int64)
    for p in range(n):
        s = order[p]
        highest = -1
        for r in range(first[s], last[s]):
            for c in (ROW_CHILD, ROW_EP1, ROW_EP2):
                child = rows[r, c]
                if child >= 0 and level[child] > highest:
                    highest = level[child]
        level[s] = highest + 1
    return level


@njit(cache=True, nogil=True)
def depth_first_by(first, last, rows, weight):
    """As ``depth_first``, of the slices that one leads to those of the largest weight first."""
    n = len(first)
    order = np.empty(n, np.int64)
    seen = np.zeros(n, np.uint8)
    width = 1
    for s in range(n):
        width = max(width, 3 * (last[s] - first[s]))
    deep = 256
    children = np.empty((deep, width), np.int64)
    counts = np.empty(deep, np.int64)
    at = np.empty(deep, np.int64)
    stack = np.empty(deep, np.int64)
    count = 0
    for root in range(n):
        if seen[root]:
            continue
        seen[root] = 1
        top = 0
        stack[0] = root
        counts[0] = -1
        while top >= 0:
            s = stack[top]
            if counts[top] < 0:
                m = 0
                for r in range(first[s], last[s]):
                    for c in (ROW_CHILD, ROW_EP1, ROW_EP2):
                        child = rows[r, c]
                        if child >= 0 and not seen[child]:
                            # In its place among those before it, behind its equals.
                            j = m
                            while j > 0 and weight[children[top, j - 1]] < weight[child]:
                                children[top, j] = children[top, j - 1]
                                j -= 1
                            children[top, j] = child
                            m += 1
                counts[top] = m
                at[top] = 0
            pushed = False
            while at[top] < counts[top]:
                child = children[top, at[top]]
                at[top] += 1
                if not seen[child]:
                    seen[child] = 1
                    top += 1
                    stack[top] = child
                    counts[top] = -1
                    pushed = True
                    break
            if not pushed:
                order[count] = s
                count += 1
                top -= 1
    return order
