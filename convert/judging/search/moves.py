"""A stack of positions in one record, legal moves, and making a move.

Row ``p`` of ``s.pos`` is the position at ply p of a line: words of the six kinds, of White's and
Black's men, the key, then side (0 White), en passant square (64 none), castling rights, halfmove
clock, and the men that give check, once somebody has asked for them. ``make`` writes row p + 1;
nothing is undone. A move is a number of 24 bits that tells its from, to, kind, what it takes (6
nothing), what it promotes to (0 nothing) and a flag.

Each position has a key of 64 random bits (A. L. Zobrist, A New Hashing Method with Application for
Game Playing, 1970).
"""

from __future__ import annotations

from typing import Any, Final

import chess
import numba
import numpy as np
import numpy.typing as npt

from convert.judging.search.terms import NAMES, SCALES
from convert.judging.search.words import (
    ALL,
    BETWEEN,
    KING,
    KNIGHT,
    LINE,
    ONE,
    PAWN,
    ZERO,
    Bool,
    Int,
    U,
    Void,
    Word,
    bishop,
    bit,
    count,
    has,
    jitted,
    lowest,
    piece_attacks,
    rook,
)

MEN: Final = 6
KEY: Final = 8
SIDE: Final = 9
EP: Final = 10
CASTLE: Final = 11
CLOCK: Final = 12
CHECKERS: Final = 13
CHECKERS_KNOWN: Final = 14
WIDTH: Final = 15
PLIES: Final = 160
MOST_MOVES: Final = 256
NOTHING: Final = 6
EN_PASSANT: Final = 1
CASTLING: Final = 2
DOUBLE: Final = 3
PAWN_ROWS: Final = 4096
VALUE_ROWS: Final = 16_384
_N: Final = len(NAMES)

STATE: Final = np.dtype(
    [
        ("pos", "u8", (PLIES, WIDTH)),
        ("moves", "i4", (PLIES, MOST_MOVES)),
        ("order", "i4", (PLIES, MOST_MOVES)),
        ("killers", "i4", (PLIES, 2)),
        ("made", "i4", (PLIES,)),  # the move that led to a row, 0 for passing
        ("path", "u8", (PLIES,)),  # keys of the line, to see repetitions
        ("line", "i4", (PLIES, PLIES)),  # best line from each ply on
        ("line_length", "i4", (PLIES,)),
        ("history", "i4", (2, 64, 64)),
        ("barred", "i4", (MOST_MOVES,)),  # moves of row 0 that are not looked at
        ("gains", "i8", (40,)),
        ("numbers", "i8", (_N,)),  # middlegame in the upper half, endgame in the lower
        ("squares", "i8", (6, 64)),  # a man on a square, White's view: its own three numbers
        ("scales", "i8", (len(SCALES),)),
        ("pawn_words", "u8", (PAWN_ROWS, 3)),  # White's pawns, Black's, those passed
        ("pawn_sums", "i8", (PAWN_ROWS,)),
        ("valued", "u8", (VALUE_ROWS,)),  # keys of positions whose value is kept
        ("values", "i4", (VALUE_ROWS,)),
        ("attacks", "u8", (2, 7)),  # by kind, and all, of each side
        ("nodes", "i8"),
        ("limit", "i8"),
        ("stop", "i8"),
        ("men", "i8"),  # men up to which exact leaves are asked; 0 never
        ("bars", "i8"),
        ("plain", "i8"),  # 1: no pruning but alpha-beta, no extensions
    ],
    align=True,
)
"""All that one search works on."""

State = numba.from_dtype(STATE)


def _random_words(n: int, seed: int = 0x5DEECE66D2B7F1A9) -> npt.NDArray[np.uint64]:
    """Xorshift (G. Marsaglia, 2003): the same numbers on every machine and in every run."""
    out, x, mask = np.zeros(n, U), seed, (1 << 64) - 1
    for i in range(n):
        x ^= x << 13 & mask
        x ^= x >> 7
        x ^= x << 17 & mask
        out[i] = U(x)
    return out


_RANDOM = _random_words(768 + 16 + 64 + 1 + 32)
KEY_OF_MAN: Final = _RANDOM[:768].reshape(2, 6, 64).copy()
KEY_OF_RIGHTS: Final = _RANDOM[768:784].copy()
KEY_OF_EP: Final = np.append(_RANDOM[784:848], ZERO)
KEY_OF_SIDE: Final = U(_RANDOM[848])
KEY_OF_CLOCK: Final = _RANDOM[849:].copy()
RIGHTS: Final = np.full(64, 15, np.int64)
"""Castling rights that are left when a man leaves or reaches a square: 1 and 2 White's king's and
queen's side, 4 and 8 Black's."""
for _square, _lost in ((0, 2), (7, 1), (56, 8), (63, 4), (4, 3), (60, 12)):
    RIGHTS[_square] = 15 & ~_lost


def new_state() -> Any:
    """An empty record."""
    return np.zeros(1, STATE)[0]


def put_board(s: Any, p: int, board: chess.Board) -> None:
    """Write a board into row p."""
    row = s["pos"][p]
    row[:] = 0
    for square, piece in board.piece_map().items():
        side, kind = int(not piece.color), piece.piece_type - 1
        row[kind] |= U(1 << square)
        row[MEN + side] |= U(1 << square)
        row[KEY] ^= KEY_OF_MAN[side, kind, square]
    clean = board.clean_castling_rights()
    rights = sum(n for n, square in ((1, 7), (2, 0), (4, 63), (8, 56)) if clean >> square & 1)
    ep = board.ep_square if board.ep_square is not None else 64
    if ep < 64 and not board.has_pseudo_legal_en_passant():
        ep = 64
    row[SIDE], row[EP], row[CASTLE] = int(not board.turn), ep, rights
    row[CLOCK] = min(board.halfmove_clock, 1000)
    row[KEY] ^= KEY_OF_RIGHTS[rights] ^ KEY_OF_EP[ep] ^ (ZERO if board.turn else KEY_OF_SIDE)


@jitted(Void(State, Int, Int, Int, Int))
def man(s, p, side, kind, square):
    """Put a man on a square, or take it off."""
    s.pos[p, kind] ^= bit(square)
    s.pos[p, MEN + side] ^= bit(square)
    s.pos[p, KEY] ^= KEY_OF_MAN[side, kind, square]


@jitted(Word(State, Int, Int, Int, Word))
def attackers(s, p, square, by, occupied):
    """Men of a side that attack a square."""
    data = (PAWN[1 - by, square] & s.pos[p, 0]) | (KNIGHT[square] & s.pos[p, 1])
    data |= KING[square] & s.pos[p, 5]
    far = (s.pos[p, 2] | s.pos[p, 4]) & s.pos[p, MEN + by]
    if far != ZERO:
        data |= bishop(square, occupied) & far
    far = (s.pos[p, 3] | s.pos[p, 4]) & s.pos[p, MEN + by]
    if far != ZERO:
        data |= rook(square, occupied) & far
    return data & s.pos[p, MEN + by]


@jitted(Word(State, Int))
def checkers(s, p):
    """The men that give check in row p."""
    if s.pos[p, CHECKERS_KNOWN] == ZERO:
        side = Int(s.pos[p, SIDE])
        occupied = s.pos[p, MEN] | s.pos[p, MEN + 1]
        king = lowest(s.pos[p, 5] & s.pos[p, MEN + side])
        s.pos[p, CHECKERS] = attackers(s, p, king, 1 - side, occupied)
        s.pos[p, CHECKERS_KNOWN] = ONE
    return s.pos[p, CHECKERS]


@jitted(Bool(State, Int))
def in_check(s, p):
    return checkers(s, p) != ZERO


@jitted(Int(State, Int, Int))
def kind_at(s, p, square):
    """Kind of the man on a square, 6 if it is empty."""
    for kind in range(6):
        if has(s.pos[p, kind], square):
            return kind
    return NOTHING


@jitted(Int(Int, Int, Int, Int, Int, Int))
def move_of(a, b, kind, taken, promotion, flag):
    return a | b << 6 | kind << 12 | taken << 15 | promotion << 18 | flag << 21


@jitted(Int(State, Int, Int, Int))
def _add(s, p, n, move):
    s.moves[p, n] = move
    return n + 1


@jitted(Int(State, Int, Int, Int, Int, Int, Bool))
def _add_pawn(s, p, n, a, b, taken, every):
    """A pawn move; on the last rank all promotions, or queen and a capturing knight alone."""
    if 8 <= b < 56:
        return _add(s, p, n, move_of(a, b, 0, taken, 0, 0))
    n = _add(s, p, n, move_of(a, b, 0, taken, 4, 0))
    if every or taken != NOTHING:
        n = _add(s, p, n, move_of(a, b, 0, taken, 1, 0))
    if every:
        n = _add(s, p, n, move_of(a, b, 0, taken, 3, 0))
        n = _add(s, p, n, move_of(a, b, 0, taken, 2, 0))
    return n


@jitted(Word(State, Int, Int, Int))
def pinned_men(s, p, side, king):
    """Men of a side that shield its king from a line piece."""
    own, other = s.pos[p, MEN + side], s.pos[p, MEN + 1 - side]
    far = rook(king, other) & (s.pos[p, 3] | s.pos[p, 4])
    far = (far | (bishop(king, other) & (s.pos[p, 2] | s.pos[p, 4]))) & other
    pinned = ZERO
    while far != ZERO:
        between = BETWEEN[king, lowest(far)] & own
        far &= far - ONE
        if count(between) == 1:
            pinned |= between
    return pinned


@jitted(Int(State, Int, Int, Int, Word, Word, Bool))
def _pawn_moves(s, p, n, king, allowed, pinned, forcing):
    side = Int(s.pos[p, SIDE])
    own, other = s.pos[p, MEN + side], s.pos[p, MEN + 1 - side]
    occupied = own | other
    forward = 8 - 16 * side
    ep = Int(s.pos[p, EP])
    men = s.pos[p, 0] & own
    while men != ZERO:
        a = lowest(men)
        men &= men - ONE
        free = allowed & LINE[king, a] if has(pinned, a) else allowed
        b = a + forward
        if not has(occupied, b):
            if has(free, b) and (not forcing or b < 8 or b >= 56):
                n = _add_pawn(s, p, n, a, b, NOTHING, not forcing)
            if not forcing and a >> 3 == 1 + 5 * side:
                c = b + forward
                if has(free, c) and not has(occupied, c):
                    n = _add(s, p, n, move_of(a, c, 0, NOTHING, 0, DOUBLE))
        targets = PAWN[side, a] & other & free
        while targets != ZERO:
            b = lowest(targets)
            targets &= targets - ONE
            n = _add_pawn(s, p, n, a, b, kind_at(s, p, b), not forcing)
        if ep < 64 and has(PAWN[side, a], ep):
            victim = bit(ep - forward)
            after = (occupied ^ bit(a) ^ victim) | bit(ep)
            if attackers(s, p, king, 1 - side, after) & ~victim == ZERO:
                n = _add(s, p, n, move_of(a, ep, 0, 0, 0, EN_PASSANT))
    return n


@jitted(Int(State, Int, Int, Int))
def _castling_moves(s, p, n, king):
    side = Int(s.pos[p, SIDE])
    occupied = s.pos[p, MEN] | s.pos[p, MEN + 1]
    rights = Int(s.pos[p, CASTLE]) >> 2 * side
    for wing in range(2):
        if not rights >> wing & 1:
            continue
        c = king + 1 - 2 * wing
        d = king + 2 - 4 * wing
        empty = bit(c) | bit(d) | (bit(king - 3) if wing else ZERO)
        if (
            empty & occupied == ZERO
            and attackers(s, p, c, 1 - side, occupied) == ZERO
            and attackers(s, p, d, 1 - side, occupied) == ZERO
        ):
            n = _add(s, p, n, move_of(king, d, 5, NOTHING, 0, CASTLING))
    return n


@jitted(Int(State, Int, Bool))
def generate(s, p, forcing):
    """Write the legal moves of row p (captures and promotions alone if forcing); their number."""
    n = 0
    side = Int(s.pos[p, SIDE])
    own, other = s.pos[p, MEN + side], s.pos[p, MEN + 1 - side]
    occupied = own | other
    king = lowest(s.pos[p, 5] & own)
    checks = checkers(s, p)
    allowed = ALL
    if checks != ZERO:
        allowed = BETWEEN[king, lowest(checks)] | checks if count(checks) == 1 else ZERO
    pinned = pinned_men(s, p, side, king)
    n = _pawn_moves(s, p, n, king, allowed, pinned, forcing)
    for kind in range(1, 6):
        men = s.pos[p, kind] & own
        while men != ZERO:
            a = lowest(men)
            men &= men - ONE
            targets = piece_attacks(kind, a, occupied) & (other if forcing else ~own)
            if kind < 5:
                targets &= allowed & LINE[king, a] if has(pinned, a) else allowed
            while targets != ZERO:
                b = lowest(targets)
                targets &= targets - ONE
                if kind == 5 and attackers(s, p, b, 1 - side, occupied ^ bit(a)) != ZERO:
                    continue
                taken = kind_at(s, p, b) if has(other, b) else NOTHING
                n = _add(s, p, n, move_of(a, b, kind, taken, 0, 0))
    if not forcing and s.pos[p, CASTLE] != ZERO and checks == ZERO:
        n = _castling_moves(s, p, n, king)
    return n


@jitted(Void(State, Int, Int))
def make(s, p, move):
    """Row p + 1: the position after a legal move in row p."""
    q = p + 1
    s.made[q] = move
    for i in range(WIDTH):
        s.pos[q, i] = s.pos[p, i]
    s.pos[q, CHECKERS_KNOWN] = ZERO
    a, b, kind, taken = move & 63, move >> 6 & 63, move >> 12 & 7, move >> 15 & 7
    promotion, flag = move >> 18 & 7, move >> 21
    side = Int(s.pos[p, SIDE])
    ep, rights = 64, Int(s.pos[p, CASTLE])
    data = rights & RIGHTS[a] & RIGHTS[b]
    if taken != NOTHING:
        man(s, q, 1 - side, taken, b if flag != EN_PASSANT else b - 8 + 16 * side)
    man(s, q, side, kind, a)
    man(s, q, side, promotion if promotion else kind, b)
    if flag == CASTLING:
        man(s, q, side, 3, a + 3 if b > a else a - 4)
        man(s, q, side, 3, (a + b) >> 1)
    elif flag == DOUBLE:
        middle = (a + b) >> 1
        if PAWN[side, middle] & s.pos[p, 0] & s.pos[p, MEN + 1 - side] != ZERO:
            ep = middle
    s.pos[q, KEY] ^= KEY_OF_RIGHTS[rights] ^ KEY_OF_RIGHTS[data]
    s.pos[q, KEY] ^= KEY_OF_EP[Int(s.pos[p, EP])] ^ KEY_OF_EP[ep] ^ KEY_OF_SIDE
    s.pos[q, SIDE], s.pos[q, EP], s.pos[q, CASTLE] = U(1 - side), U(ep), U(data)
    s.pos[q, CLOCK] = ZERO if kind == 0 or taken != NOTHING else s.pos[p, CLOCK] + ONE


@jitted(Void(State, Int))
def pass_move(s, p):
    """Row p + 1: the position of row p with the other side to move."""
    for i in range(WIDTH):
        s.pos[p + 1, i] = s.pos[p, i]
    s.pos[p + 1, CHECKERS_KNOWN] = ZERO
    s.made[p + 1] = 0
    s.pos[p + 1, KEY] ^= KEY_OF_SIDE ^ KEY_OF_EP[Int(s.pos[p, EP])]
    s.pos[p + 1, EP] = U(64)
    s.pos[p + 1, SIDE] ^= ONE
    s.pos[p + 1, CLOCK] += ONE


@jitted(Int(State, Int, Int))
def perft(s, p, depth):
    """Legal lines of so many plies, at least 1, from row p."""
    n = generate(s, p, False)
    if depth == 1:
        return n
    total = 0
    for i in range(n):
        make(s, p, Int(s.moves[p, i]))
        total += perft(s, p + 1, depth - 1)
    return total


def to_move(move: int) -> chess.Move:
    """A move as python-chess has it."""
    promotion = move >> 18 & 7
    return chess.Move(move & 63, move >> 6 & 63, promotion + 1 if promotion else None)
