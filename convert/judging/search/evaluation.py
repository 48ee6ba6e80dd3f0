"""What a position is worth when nothing exact is known.

A sum of named numbers (``terms``), each taken as often as its feature occurs for White less as
often as for Black. ``out`` is None in a search; given an array, the counts are written there, so
that one text serves both. Material follows L. Kaufman, The Evaluation of Material Imbalances
(Chess Life, 1999), in that knights and rooks are worth more or less with the pawns on the board.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from convert.judging.search.moves import (
    CASTLE,
    KEY,
    MEN,
    PAWN_ROWS,
    SIDE,
    VALUE_ROWS,
    State,
    pinned_men,
)
from convert.judging.search.terms import (
    FULL_PHASE,
    FULL_SCALE,
    NAMES,
    SCALES,
    UNIT,
    Numbers,
    start,
)
from convert.judging.search.words import (
    AHEAD,
    BESIDE,
    DISTANCE,
    FILE,
    KING,
    LIGHT,
    ONE,
    PATH,
    PAWN,
    RANK,
    ZERO,
    Bool,
    Int,
    Int32,
    Nothing,
    U,
    Void,
    Word,
    bishop,
    bit,
    count,
    has,
    highest,
    jitted,
    lowest,
    pawn_attacks,
    piece_attacks,
    rook,
)

Counts = Int32[::1]

MATERIAL: Final = start("material")
BY_FILE: Final = start("file")
BY_RANK: Final = start("rank")
MOBILITY: Final = np.array(
    [0, *(start(f"mobility/{kind}") for kind in ("knight", "bishop", "rook", "queen"))], np.int64
)
PAIR: Final = start("pieces")
EXCHANGE: Final = start("exchange_up")
STRUCTURE: Final = start("structure")
PHALANX: Final = start("phalanx")
GUARDED: Final = start("guarded")
CANDIDATE: Final = start("candidate")
PASSED: Final = start("passed")
BLOCKED: Final = start("passed_blocked")
FREE: Final = start("passed_free")
OWN_KING: Final = start("passed_own_king")
OTHER_KING: Final = start("passed_other_king")
MORE: Final = start("passed_more")
ROOK: Final = start("rook")
MINOR: Final = start("minor")
THREAT: Final = start("threat")
PRESSURE_QUEEN: Final = start("pressure_with_queen")
PRESSURE: Final = start("pressure")
SAFE_CHECK: Final = start("safe_check")
SHELTER: Final = start("shelter")
STORM: Final = start("storm")
BY_KING: Final = start("king")
TO_MOVE: Final = start("to_move")
EVERYTHING: Final = 6
"""Place of what any man attacks, after the six kinds."""
RING_WEIGHT: Final = np.array([0, 2, 2, 3, 5, 0], np.int64)
LIMIT: Final = 20_000
"""The largest value of a position, in hundredths of a pawn."""
_C1: Final = U(0x9E3779B97F4A7C15)


@jitted(Int(Int, Int))
def share(a, b):
    """a / b towards zero: ``//`` rounds down, and an evaluation would not be symmetric."""
    return a // b if a >= 0 else -(-a // b)


@jitted(Int(State, Int, Int, Int, Nothing), Int(State, Int, Int, Int, Counts))
def worth(s, i, n, sign, out):
    """Number i taken n times; noted with a sign, White's +1, Black's -1."""
    if out is not None:
        out[i] += n * sign
    return s.numbers[i] * n


@jitted(Int(State, Int, Int, Int, Nothing), Int(State, Int, Int, Int, Counts))
def man_on(s, kind, square, sign, out):
    """A man on a square as White sees it: material, file and rank."""
    if out is not None:
        file, rank = square & 7, square >> 3
        if kind < 5:
            out[MATERIAL + kind] += sign
        out[BY_FILE + 4 * kind + min(file, 7 - file)] += sign
        out[BY_RANK + 8 * kind + rank] += sign
    return s.squares[kind, square]


# --- pawns -----------------------------------------------------------------------------------


@jitted(Int(State, Int, Int, Int, Int, Nothing), Int(State, Int, Int, Int, Int, Counts))
def _pawn(s, p, c, a, sign, out):
    """One pawn among the pawns."""
    own, other = s.pos[p, 0] & s.pos[p, MEN + c], s.pos[p, 0] & s.pos[p, MEN + 1 - c]
    file = a & 7
    rank = 7 - (a >> 3) if c else a >> 3
    t = 0
    open_ahead = PATH[c, a] & other == ZERO
    beside = BESIDE[file] & own
    if beside == ZERO:
        t += worth(s, STRUCTURE, 1, sign, out)
        if open_ahead:
            t += worth(s, STRUCTURE + 1, 1, sign, out)
    elif beside & ~AHEAD[c, a] == ZERO and (
        has(other, a + 8 - 16 * c) or PAWN[c, a + 8 - 16 * c] & other != ZERO
    ):
        # No pawn beside or behind to help it on, and its way is barred.
        t += worth(s, STRUCTURE + 3, 1, sign, out)
        if open_ahead:
            t += worth(s, STRUCTURE + 4, 1, sign, out)
    if PATH[c, a] & own != ZERO:
        t += worth(s, STRUCTURE + 2, 1, sign, out)
    if beside & ~AHEAD[c, a] & ~AHEAD[1 - c, a] != ZERO:
        t += worth(s, PHALANX + rank - 1, 1, sign, out)
    if PAWN[1 - c, a] & own != ZERO:
        t += worth(s, GUARDED + rank - 1, 1, sign, out)
    if open_ahead and PATH[c, a] & own == ZERO and AHEAD[c, a] & other != ZERO:
        helpers = count(beside & ~AHEAD[c, a])
        if helpers >= count(AHEAD[c, a] & other):
            t += worth(s, CANDIDATE + rank - 1, 1, sign, out)
    return t


@jitted(Int(Word))
def islands(pawns):
    """Groups of pawns on neighbouring files."""
    number, before = 0, False
    for file in range(8):
        here = pawns & FILE[file] != ZERO
        if here and not before:
            number += 1
        before = here
    return number


@jitted(Bool(State, Int, Int, Int))
def is_passed(s, p, c, a):
    """No pawn can stop it; of two on a file the one in front."""
    own, other = s.pos[p, 0] & s.pos[p, MEN + c], s.pos[p, 0] & s.pos[p, MEN + 1 - c]
    return AHEAD[c, a] & other == ZERO and PATH[c, a] & own == ZERO


@jitted(Int(State, Int, Nothing), Int(State, Int, Counts))
def pawn_sum(s, p, out):
    """Pawns by themselves: their squares, structure and passed ones by rank, for White."""
    total = 0
    for c in range(2):
        sign = 1 - 2 * c
        pawns = s.pos[p, 0] & s.pos[p, MEN + c]
        t = worth(s, STRUCTURE + 5, islands(pawns), sign, out)
        while pawns != ZERO:
            a = lowest(pawns)
            pawns &= pawns - ONE
            t += man_on(s, 0, a ^ (56 * c), sign, out)
            t += _pawn(s, p, c, a, sign, out)
            if is_passed(s, p, c, a):
                rank = (a ^ (56 * c)) >> 3
                t += worth(s, PASSED + rank - 1, 1, sign, out)
        total += sign * t
    return total


@jitted(Word(State, Int))
def passed_pawns(s, p):
    """The passed pawns of both sides."""
    result = ZERO
    for c in range(2):
        pawns = s.pos[p, 0] & s.pos[p, MEN + c]
        while pawns != ZERO:
            a = lowest(pawns)
            pawns &= pawns - ONE
            if is_passed(s, p, c, a):
                result |= bit(a)
    return result


@jitted(Int(State, Int))
def pawn_row(s, p):
    """Where the sum and the passed pawns of row p are kept, made if they are not."""
    white, black = s.pos[p, 0] & s.pos[p, MEN], s.pos[p, 0] & s.pos[p, MEN + 1]
    at = Int(((white * _C1) ^ (black * _C1 >> U(7)) * _C1) >> U(52)) & (PAWN_ROWS - 1)
    if s.pawn_words[at, 0] != white or s.pawn_words[at, 1] != black:
        s.pawn_sums[at] = pawn_sum(s, p, None)
        s.pawn_words[at, 0], s.pawn_words[at, 1] = white, black
        s.pawn_words[at, 2] = passed_pawns(s, p)
    return at


@jitted(Int(State, Int, Int, Int, Word, Int, Nothing), Int(State, Int, Int, Int, Word, Int, Counts))
def _passed(s, p, c, a, passed, sign, out):
    """A passed pawn among all men. ``s.attacks`` must be filled."""
    o = 1 - c
    own, other = s.pos[p, MEN + c], s.pos[p, MEN + o]
    rank = 7 - (a >> 3) if c else a >> 3
    ahead = a + 8 - 16 * c
    t = 0
    if has(other, ahead):
        t += worth(s, BLOCKED + rank - 1, 1, sign, out)
    if PATH[c, a] & (own | other | s.attacks[o, EVERYTHING]) == ZERO:
        t += worth(s, FREE + rank - 1, 1, sign, out)
    if rank >= 3:
        mine = DISTANCE[lowest(s.pos[p, 5] & own), ahead]
        theirs = DISTANCE[lowest(s.pos[p, 5] & other), ahead]
        t += worth(s, OWN_KING + rank - 3, mine, sign, out)
        t += worth(s, OTHER_KING + rank - 3, theirs, sign, out)
    if has(s.attacks[c, 0], a):
        t += worth(s, MORE, 1, sign, out)
    if KING[a] & BESIDE[a & 7] & passed & own != ZERO:
        t += worth(s, MORE + 1, 1, sign, out)
    behind = PATH[o, a] & s.pos[p, 3]
    if behind & own != ZERO:
        t += worth(s, MORE + 2, 1, sign, out)
    if behind & other != ZERO:
        t += worth(s, MORE + 3, 1, sign, out)
    others = s.pos[p, 0] & ~FILE[a & 7] & ~BESIDE[a & 7]
    if others != ZERO and s.pos[p, 0] & ~others & ~bit(a) == ZERO:
        t += worth(s, MORE + 4, 1, sign, out)
    return t


@jitted(Bool(State, Int, Int, Int))
def runs_home(s, p, c, a):
    """Does a passed pawn promote before the other king, alone, can catch it?"""
    o = 1 - c
    occupied = s.pos[p, MEN] | s.pos[p, MEN + 1]
    if PATH[c, a] & occupied != ZERO:
        return False
    rank = 7 - (a >> 3) if c else a >> 3
    goal = (a & 7) + (0 if c else 56)
    steps = 7 - rank - (1 if rank == 1 else 0)
    tempo = 1 if Int(s.pos[p, SIDE]) == o else 0
    return DISTANCE[lowest(s.pos[p, 5] & s.pos[p, MEN + o]), goal] - tempo > steps


# --- pieces and kings ------------------------------------------------------------------------


@jitted(Int(State, Int, Int, Int, Nothing), Int(State, Int, Int, Int, Counts))
def _minors(s, p, c, sign, out):
    own, their = s.pos[p, MEN + c], s.pos[p, 0] & s.pos[p, MEN + 1 - c]
    pawns = s.pos[p, 0] & own
    occupied = own | s.pos[p, MEN + 1 - c]
    blocked = pawns & (occupied << U(8) if c else occupied >> U(8))
    t = 0
    men = (s.pos[p, 1] | s.pos[p, 2]) & own
    while men != ZERO:
        a = lowest(men)
        men &= men - ONE
        is_bishop = has(s.pos[p, 2], a)
        rank = 7 - (a >> 3) if c else a >> 3
        if 3 <= rank <= 5 and has(s.attacks[c, 0], a):
            if AHEAD[c, a] & ~PATH[c, a] & their == ZERO:
                t += worth(s, MINOR + (1 if is_bishop else 0), 1, sign, out)
        if has(s.pos[p, 0], a + 8 - 16 * c):
            t += worth(s, MINOR + 4, 1, sign, out)
        if is_bishop:
            colour = LIGHT if has(LIGHT, a) else ~LIGHT
            t += worth(s, MINOR + 2, count(pawns & colour), sign, out)
            t += worth(s, MINOR + 3, count(blocked & colour), sign, out)
    return t


@jitted(Int(State, Int, Int, Int, Nothing), Int(State, Int, Int, Int, Counts))
def _pieces(s, p, c, sign, out):
    """Squares, mobility, lines and pressure on the other king; fills ``s.attacks[c]``."""
    own, other = s.pos[p, MEN + c], s.pos[p, MEN + 1 - c]
    occupied, pawns, their = own | other, s.pos[p, 0] & own, s.pos[p, 0] & other
    king, other_king = lowest(s.pos[p, 5] & own), lowest(s.pos[p, 5] & other)
    ring = KING[other_king] | bit(other_king)
    barred = own | pawn_attacks(their, 1 - c)
    reached = pawn_attacks(pawns, c)
    s.attacks[c, 0] = reached
    s.attacks[c, 5] = KING[king]
    reached |= KING[king]
    t = man_on(s, 5, king ^ (56 * c), sign, out)
    units = 0
    for kind in range(1, 5):
        of_kind = ZERO
        men = s.pos[p, kind] & own
        while men != ZERO:
            a = lowest(men)
            men &= men - ONE
            t += man_on(s, kind, a ^ (56 * c), sign, out)
            reach = piece_attacks(kind, a, occupied)
            of_kind |= reach
            mobile = count(reach & ~barred)
            if kind == 4:
                mobile >>= 1
            t += worth(s, MOBILITY[kind] + mobile, 1, sign, out)
            units += RING_WEIGHT[kind] * count(reach & ring)
            if kind == 3:
                if pawns & FILE[a & 7] == ZERO:
                    t += worth(s, ROOK + (0 if their & FILE[a & 7] == ZERO else 1), 1, sign, out)
                back, seventh = RANK[7 - 7 * c], RANK[6 - 5 * c]
                if has(seventh, a) and (has(back, other_king) or their & seventh != ZERO):
                    t += worth(s, ROOK + 2, 1, sign, out)
        s.attacks[c, kind] = of_kind
        reached |= of_kind
    s.attacks[c, EVERYTHING] = reached
    if s.pos[p, 4] & own != ZERO:
        t += worth(s, PRESSURE_QUEEN + min(units // 3, 15), 1, sign, out)
    else:
        t += worth(s, PRESSURE + min(units // 3, 7), 1, sign, out)
    return t


@jitted(Int(State, Int, Int, Int, Nothing), Int(State, Int, Int, Int, Counts))
def _threats(s, p, c, sign, out):
    """What a side's men threaten. ``s.attacks`` must be filled."""
    other = s.pos[p, MEN + 1 - c]
    pieces = other & ~s.pos[p, 0] & ~s.pos[p, 5]
    by_minor = s.attacks[c, 1] | s.attacks[c, 2]
    loose = s.attacks[c, EVERYTHING] & ~s.attacks[1 - c, EVERYTHING]
    t = worth(s, THREAT, count(s.attacks[c, 0] & pieces), sign, out)
    t += worth(s, THREAT + 1, count(by_minor & s.pos[p, 3] & other), sign, out)
    t += worth(s, THREAT + 2, count(by_minor & s.pos[p, 4] & other), sign, out)
    t += worth(s, THREAT + 3, count(s.attacks[c, 3] & s.pos[p, 4] & other), sign, out)
    t += worth(s, THREAT + 4, count(loose & pieces), sign, out)
    t += worth(s, THREAT + 5, count(loose & s.pos[p, 0] & other), sign, out)
    king = lowest(s.pos[p, 5] & other)
    t += worth(s, THREAT + 6, count(pinned_men(s, p, 1 - c, king)), sign, out)
    return t


@jitted(Int(State, Int, Int, Int, Nothing), Int(State, Int, Int, Int, Counts))
def _king(s, p, c, sign, out):
    """A side's king: its shelter, checks on it, pawns beside it. ``s.attacks`` must be filled."""
    o = 1 - c
    own, other = s.pos[p, MEN + c], s.pos[p, MEN + o]
    occupied, pawns, their = own | other, s.pos[p, 0] & own, s.pos[p, 0] & other
    king = lowest(s.pos[p, 5] & own)
    t = 0
    safe = ~other & ~s.attacks[c, EVERYTHING]
    straight, aslant = rook(king, occupied), bishop(king, occupied)
    for kind in range(1, 5):
        way = straight | aslant
        if kind == 1:
            way = piece_attacks(1, king, occupied)
        elif kind == 2:
            way = aslant
        elif kind == 3:
            way = straight
        if way & safe & s.attacks[o, kind] != ZERO:
            t += worth(s, SAFE_CHECK + kind - 1, 1, sign, out)
    guarded = s.attacks[c, 0] | s.attacks[c, 1] | s.attacks[c, 2] | s.attacks[c, 3]
    weak = KING[king] & s.attacks[o, EVERYTHING] & ~(guarded | s.attacks[c, 4])
    t += worth(s, BY_KING, count(weak), sign, out)
    ahead = AHEAD[c, king]
    for file in range(max((king & 7) - 1, 0), min((king & 7) + 2, 8)):
        for of, first in ((pawns, SHELTER), (their, STORM)):
            near = of & ahead & FILE[file]
            steps = 0
            if near != ZERO:
                steps = (
                    (king >> 3) - (highest(near) >> 3) if c else (lowest(near) >> 3) - (king >> 3)
                )
            t += worth(s, first + min(steps, 4), 1, sign, out)
        if s.pos[p, 0] & FILE[file] == ZERO:
            t += worth(s, BY_KING + 1, 1, sign, out)
    if Int(s.pos[p, CASTLE]) >> 2 * c & 3:
        t += worth(s, BY_KING + 2, 1, sign, out)
    t += worth(s, BY_KING + 3, count(KING[king] & pawns), sign, out)
    t += worth(s, BY_KING + 4, count(KING[king] & their), sign, out)
    return t


# --- material --------------------------------------------------------------------------------


@jitted(Int(State, Int, Int))
def minors(s, p, c):
    """Knights and bishops of a side."""
    return count((s.pos[p, 1] | s.pos[p, 2]) & s.pos[p, MEN + c])


@jitted(Int(State, Int, Int))
def piece_worth(s, p, c):
    """Pieces in common practice's units, pawn 100: minor 300, rook 500, queen 900."""
    own = s.pos[p, MEN + c]
    heavy = 500 * count(s.pos[p, 3] & own) + 900 * count(s.pos[p, 4] & own)
    return 300 * minors(s, p, c) + heavy


@jitted(Bool(Word))
def one_wing(pawns):
    """Do all pawns stand within four neighbouring files?"""
    if pawns == ZERO:
        return True
    first, last = 7, 0
    for file in range(8):
        if pawns & FILE[file] != ZERO:
            first, last = min(first, file), max(last, file)
    return last - first <= 3


@jitted(Int(State, Int, Int, Int, Nothing), Int(State, Int, Int, Int, Counts))
def _material(s, p, c, sign, out):
    """Pieces together, and the exchange up."""
    own, other = s.pos[p, MEN + c], s.pos[p, MEN + 1 - c]
    pawns, knights, rooks = (
        count(s.pos[p, 0] & own),
        count(s.pos[p, 1] & own),
        count(s.pos[p, 3] & own),
    )
    t = 0
    mine = s.pos[p, 2] & own
    if mine & LIGHT != ZERO and mine & ~LIGHT != ZERO:
        t += worth(s, PAIR, 1, sign, out)
    if rooks >= 2:
        t += worth(s, PAIR + 1, 1, sign, out)
    t += worth(s, PAIR + 2, knights * (pawns - 5), sign, out)
    t += worth(s, PAIR + 3, rooks * (pawns - 5), sign, out)
    other_rooks, queens = count(s.pos[p, 3] & other), count(s.pos[p, 4] & own)
    if (
        rooks == other_rooks + 1
        and minors(s, p, c) + 1 == minors(s, p, 1 - c)
        and queens == count(s.pos[p, 4] & other)
    ):
        theirs = count(s.pos[p, 0] & other)
        t += worth(s, EXCHANGE + 3 + min(max(pawns - theirs, -3), 1), 1, sign, out)
        t += worth(s, EXCHANGE + 5, pawns + theirs, sign, out)
        if one_wing(s.pos[p, 0]):
            t += worth(s, EXCHANGE + 6, 1, sign, out)
        if other_rooks == 0:
            t += worth(s, EXCHANGE + 7, 1, sign, out)
        if queens:
            t += worth(s, EXCHANGE + 8, 1, sign, out)
    return t


@jitted(Bool(State, Int))
def nobody_can_win(s, p):
    """Two kings, alone or with one minor piece: no mate is possible."""
    if s.pos[p, 0] | s.pos[p, 3] | s.pos[p, 4] != ZERO:
        return False
    return minors(s, p, 0) + minors(s, p, 1) <= 1


@jitted(Bool(State, Int, Int))
def wrong_bishop(s, p, c):
    """Pawns on one rook's file alone, whose last square the other king holds.

    With at most one piece, and that a bishop which cannot guard the square.
    """
    own, other = s.pos[p, MEN + c], s.pos[p, MEN + 1 - c]
    pawns = s.pos[p, 0] & own
    if pawns == ZERO or (s.pos[p, 1] | s.pos[p, 3] | s.pos[p, 4]) & own != ZERO:
        return False
    bishops = s.pos[p, 2] & own
    for file in (0, 7):
        if pawns & ~FILE[file] == ZERO:
            corner = file + (0 if c else 56)
            colour = LIGHT if has(LIGHT, corner) else ~LIGHT
            return bishops & colour == ZERO and DISTANCE[lowest(s.pos[p, 5] & other), corner] <= 1
    return False


@jitted(Int(State, Int, Int))
def scale(s, p, c):
    """Which of the scales an advantage of side c has."""
    o = 1 - c
    own, other = s.pos[p, MEN + c], s.pos[p, MEN + o]
    pawns, less = count(s.pos[p, 0] & own), count(s.pos[p, 0] & other)
    mine, theirs = piece_worth(s, p, c), piece_worth(s, p, o)
    if wrong_bishop(s, p, c):
        return 10
    if pawns == 0:
        if mine == 600 and count(s.pos[p, 1] & own) == 2 and less == 0:
            return 11
        if mine - theirs < 400:
            return 1 if mine < 500 else 2
    elif pawns == 1 and mine <= theirs and theirs > 0:
        return 3 if minors(s, p, o) >= 1 and mine <= 300 else 4
    own_bishop, other_bishop = s.pos[p, 2] & own, s.pos[p, 2] & other
    if (
        count(own_bishop) == 1
        and count(other_bishop) == 1
        and (own_bishop & LIGHT == ZERO) != (other_bishop & LIGHT == ZERO)
    ):
        if mine == 300 and theirs == 300:
            return 5 if pawns - less <= 1 else 6
        return 7
    if mine == theirs and mine in (500, 900, 1000) and pawns - less <= 1:
        return 8 if one_wing(s.pos[p, 0]) else 9
    return 0


@jitted(Int(State, Int))
def phase(s, p):
    """How many pieces are left: 24 all, 0 none."""
    light = count(s.pos[p, 1] | s.pos[p, 2])
    return min(light + 2 * count(s.pos[p, 3]) + 4 * count(s.pos[p, 4]), FULL_PHASE)


# --- all of it -------------------------------------------------------------------------------


@jitted(Int(State, Int, Word, Nothing), Int(State, Int, Word, Counts))
def piece_sum(s, p, passed, out):
    """Everything but ``pawn_sum``, for White."""
    total = _pieces(s, p, 0, 1, out) - _pieces(s, p, 1, -1, out)
    for c in range(2):
        sign = 1 - 2 * c
        t = _threats(s, p, c, sign, out) + _king(s, p, c, sign, out)
        t += _minors(s, p, c, sign, out) + _material(s, p, c, sign, out)
        men = passed & s.pos[p, MEN + c]
        alone = (s.pos[p, MEN + 1 - c] & ~s.pos[p, 0] & ~s.pos[p, 5]) == ZERO
        runs = False
        while men != ZERO:
            a = lowest(men)
            men &= men - ONE
            t += _passed(s, p, c, a, passed, sign, out)
            if alone and runs_home(s, p, c, a):
                runs = True
        if runs:
            t += worth(s, MORE + 5, 1, sign, out)
        if Int(s.pos[p, SIDE]) == c:
            t += worth(s, TO_MOVE, 1, sign, out)
        total += sign * t
    return total


@jitted(Int(State, Int))
def _evaluate(s, p):
    """Hundredths of a pawn, for the side to move, worked out."""
    if nobody_can_win(s, p):
        return 0
    row = pawn_row(s, p)
    total = s.pawn_sums[row] + piece_sum(s, p, s.pawn_words[row, 2], None)
    # The endgame's sum is the lower half, signed; what it borrows is given back to the upper.
    end = ((total & 0xFFFFFFFF) ^ 0x80000000) - 0x80000000
    middle = (total - end) >> 32
    share_of_middle = phase(s, p)
    v = middle * share_of_middle + end * (FULL_PHASE - share_of_middle)
    v *= s.scales[scale(s, p, 0 if v > 0 else 1)]
    v = share(v, FULL_PHASE * FULL_SCALE * UNIT)
    v = min(max(v, -LIMIT), LIMIT)
    return -v if s.pos[p, SIDE] != ZERO else v


@jitted(Int(State, Int))
def evaluate(s, p):
    """Hundredths of a pawn, for the side to move, kept for some positions."""
    key = s.pos[p, KEY]
    place = Int(key >> U(40)) & (VALUE_ROWS - 1)
    if s.valued[place] == key:
        return Int(s.values[place])
    v = _evaluate(s, p)
    s.valued[place], s.values[place] = key, v
    return v


@jitted(None, Void(State, Int, Counts))
def trace(s, p, out):
    """Write how often each number is taken, then the phase and both sides' scales."""
    n = len(out) - 3
    pawn_sum(s, p, out)
    piece_sum(s, p, passed_pawns(s, p), out)
    out[n], out[n + 1], out[n + 2] = phase(s, p), scale(s, p, 0), scale(s, p, 1)


_Rows, _Words = Int32[:, ::1], Word[:, ::1]


@jitted(None, Void(State, _Words, _Rows))
def trace_all(s, rows, out):
    """``trace`` for each of the positions, rows as ``moves`` has them."""
    for i in range(len(rows)):
        for j in range(rows.shape[1]):
            s.pos[0, j] = rows[i, j]
        trace(s, 0, out[i])


def set_numbers(s: Any, numbers: Numbers) -> None:
    """Give a record the numbers that its evaluations are made with."""
    pairs = numbers.pairs.astype(np.int64)
    s["numbers"][:] = (pairs[:, 0] << 32) + pairs[:, 1]
    s["scales"][:] = numbers.scales
    for kind in range(6):
        for square in range(64):
            file, rank = square & 7, square >> 3
            s["squares"][kind, square] = (
                (s["numbers"][MATERIAL + kind] if kind < 5 else 0)
                + s["numbers"][BY_FILE + 4 * kind + min(file, 7 - file)]
                + s["numbers"][BY_RANK + 8 * kind + rank]
            )
    s["valued"][:] = 0
    s["pawn_words"][:] = 0
    s["pawn_words"][:, 0] = 1  # no pawn stands on a1: a row of nothing


WIDTH_OF_TRACE: Final = len(NAMES) + 3
assert len(SCALES) == 12, "scale() gives places in SCALES"
__all__ = ["WIDTH_OF_TRACE", "evaluate", "set_numbers", "trace", "trace_all"]
