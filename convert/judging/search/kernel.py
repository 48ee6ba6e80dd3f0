"""Alpha-beta over legal moves, compiled.

Methods: alpha-beta (D. E. Knuth and R. W. Moore, An Analysis of Alpha-Beta Pruning, 1975) with
principal variation search (T. A. Marsland and M. Campbell, Parallel Search of Strongly Ordered
Game Trees, 1982) and iterative deepening; a transposition table (A. L. Zobrist, 1970); quiescence
and null move (D. F. Beal, A Generalised Quiescence Search Algorithm, 1990, and Experiments with
the Null Move, 1989); history (J. Schaeffer, The History Heuristic, 1983) and killer moves (S. G.
Akl and M. M. Newborn, The Principal Continuation and the Killer Heuristic, 1977); futility (E. A.
Heinz, Extended Futility Pruning, 1998); late quiet moves are searched less deep at first (common
practice). Margins and reductions are hand-set.

Scores are hundredths of a pawn for the side to move. ``MATE - ply``: mate at that ply of the line.
``EXACT - ply``: won by an exact leaf at that ply. No pruning may make a score beyond ``SURE``: null
move and futility never return one, the side to move in quiescence may stand on the evaluation, and
a search reduced in depth that finds a win has looked at every answer. What remains is the clock of
a row of the table, and a collision of keys: before a score is told as proved it is verified
(``proving``).

A row of the table is two words: the key, and packed score, depth, bound (0 exact, 1 at least, 2 at
most) and move.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from convert.judging.search.evaluation import evaluate, nobody_can_win, piece_worth
from convert.judging.search.leaves import UNKNOWN, Heads, Pool, men_of, probe
from convert.judging.search.moves import (
    CLOCK,
    EN_PASSANT,
    KEY,
    KEY_OF_CLOCK,
    MEN,
    MOST_MOVES,
    NOTHING,
    PLIES,
    SIDE,
    State,
    attackers,
    generate,
    in_check,
    make,
    pass_move,
)
from convert.judging.search.words import (
    ZERO,
    Bool,
    Int,
    Int32,
    U,
    Void,
    Word,
    bit,
    jitted,
    lowest,
)

INFINITE: Final = 32_000
MATE: Final = 31_000
EXACT: Final = 29_000
SURE: Final = 28_000
DEEPEST: Final = 100
"""Plies of a line from which on nothing but quiescence is looked at."""
LATE_CLOCK: Final = 48
"""Halfmove clock from which on rows of the table with different clocks are kept apart."""
FIFTY: Final = 100
MOVE_BITS: Final = 63 | 63 << 6 | 7 << 18
"""What of a move's number names it: from, to, promotion."""
WINDOW: Final = 40
Table, Line = Word[:, ::1], Int32[::1]
Lines = Int32[:, ::1]
Ints = Int[::1]
WORTH: Final = np.array([100, 310, 325, 500, 960, 20000, 0], np.int64)
CAPTURE: Final = 1_000_000
"""Order of captures that win or keep material; those that lose it come last."""


def new_table(bits: int) -> npt.NDArray[np.uint64]:
    """An empty transposition table of 2**bits rows."""
    return np.zeros((1 << bits, 2), U)


# --- captures and order ----------------------------------------------------------------------


@jitted(Int(State, Int, Int))
def exchange(s, p, move):
    """What a capture wins when all captures on its square are played out, cheapest man first."""
    a, b, kind, taken = move & 63, move >> 6 & 63, move >> 12 & 7, move >> 15 & 7
    promotion, flag = move >> 18 & 7, move >> 21
    side = Int(s.pos[p, SIDE])
    occupied = s.pos[p, MEN] | s.pos[p, MEN + 1]
    s.gains[0] = WORTH[taken]
    if promotion:
        s.gains[0] += WORTH[promotion] - WORTH[0]
        kind = promotion
    if flag == EN_PASSANT:
        occupied ^= bit(b - 8 + 16 * side)
    source, d = bit(a), 0
    while d < 32:
        d += 1
        s.gains[d] = WORTH[kind] - s.gains[d - 1]
        if max(-s.gains[d - 1], s.gains[d]) < 0:
            break
        occupied ^= source
        side = 1 - side
        mine = attackers(s, p, b, side, occupied) & occupied
        if mine == ZERO:
            break
        kind = 0
        while mine & s.pos[p, kind] == ZERO:
            kind += 1
        if kind == 5 and attackers(s, p, b, 1 - side, occupied) & occupied != ZERO:
            break
        source = bit(lowest(mine & s.pos[p, kind]))
    while d > 1:
        d -= 1
        s.gains[d - 1] = -max(-s.gains[d - 1], s.gains[d])
    return s.gains[0]


@jitted(Bool(State, Int, Int))
def loses_material(s, p, move):
    """Does a capture lose material? Only where it may is it played out."""
    kind, taken = move >> 12 & 7, move >> 15 & 7
    if WORTH[taken] >= WORTH[kind] or kind == 5:
        return False
    return exchange(s, p, move) < 0


@jitted(Int(State, Int, Int, Int))
def pick(s, p, i, n):
    """Bring the best of the moves from place i on to place i; the move."""
    # Order and place in one number: its largest is found many places at a time.
    best = Int(-1 << 62)
    for k in range(i, n):
        best = max(best, Int(s.order[p, U(k)]) << 8 | (MOST_MOVES - 1 - k))
    j = MOST_MOVES - 1 - (best & (MOST_MOVES - 1))
    move, order = s.moves[p, j], s.order[p, j]
    s.moves[p, j], s.order[p, j] = s.moves[p, i], s.order[p, i]
    s.moves[p, i], s.order[p, i] = move, order
    return Int(move)


@jitted(Void(State, Int, Int, Int))
def rank(s, p, n, first):
    """Order of the moves: the table's, captures, killers, history, captures that lose."""
    side = Int(s.pos[p, SIDE])
    for i in range(n):
        m = Int(s.moves[p, i])
        taken, promotion = m >> 15 & 7, m >> 18 & 7
        if m == first:
            o = 1 << 30
        elif taken != NOTHING or promotion == 4:
            o = -CAPTURE if loses_material(s, p, m) else CAPTURE
            o += WORTH[taken] * 10 - WORTH[m >> 12 & 7] // 10 + (9000 if promotion == 4 else 0)
        elif m == s.killers[p, 0]:
            o = 900_000
        elif m == s.killers[p, 1]:
            o = 800_000
        else:
            o = Int(s.history[side, m & 63, m >> 6 & 63]) - (500_000 if promotion else 0)
        s.order[p, i] = o


@jitted(Void(State, Int, Int, Int))
def remember(s, p, move, depth):
    """A quiet move that refuted the one before it."""
    if s.killers[p, 0] != move:
        s.killers[p, 1] = s.killers[p, 0]
        s.killers[p, 0] = move
    side = Int(s.pos[p, SIDE])
    s.history[side, move & 63, move >> 6 & 63] += depth * depth
    if s.history[side, move & 63, move >> 6 & 63] > 400_000:
        for c in range(2):
            for a in range(64):
                for b in range(64):
                    s.history[c, a, b] >>= 1


# --- what is known ---------------------------------------------------------------------------


@jitted(Bool(State, Int))
def repeated(s, p):
    """Was this position on the line before?"""
    i = p - 2
    while i >= 0 and i >= p - Int(s.pos[p, CLOCK]):
        if s.path[i] == s.pos[p, KEY]:
            return True
        i -= 2
    return False


@jitted(Int(State, Int, Heads, Pool))
def known(s, p, heads, pool):
    """Score from the exact leaves, INFINITE if they do not reach."""
    if men_of(s, p) > s.men:
        return INFINITE
    data = probe(s, p, heads, pool)
    return INFINITE if data == UNKNOWN else data * (EXACT - p)


@jitted(Int(State, Int))
def at_fifty(s, p):
    """Mate or draw, where the clock has run out."""
    if in_check(s, p) and generate(s, p, False) == 0:
        return -MATE + p
    return 0


@jitted(Word(State, Int))
def table_key(s, p):
    clock = Int(s.pos[p, CLOCK])
    if clock < LATE_CLOCK:
        return s.pos[p, KEY]
    return s.pos[p, KEY] ^ KEY_OF_CLOCK[min(clock, 127) >> 2]


@jitted(Void(State, Int, Int))
def extend_line(s, p, move):
    """The best line from ply p on: this move, then the best line of the next ply."""
    n = min(s.line_length[p + 1], PLIES - 1)
    s.line[p, 0] = move
    for i in range(n):
        s.line[p, i + 1] = s.line[p + 1, i]
    s.line_length[p] = n + 1


# --- search ----------------------------------------------------------------------------------


@jitted(Int(State, Int, Int, Int, Heads, Pool))
def quiet(s, p, alpha, beta, heads, pool):
    """Captures, promotions to a queen and all answers to check."""
    s.nodes += 1
    s.line_length[p] = 0
    s.path[p] = s.pos[p, KEY]
    if s.pos[p, CLOCK] >= U(FIFTY):
        return at_fifty(s, p)
    data = known(s, p, heads, pool)
    if data != INFINITE:
        return data
    if p >= PLIES - 2:
        return evaluate(s, p)
    check = in_check(s, p)
    if check:
        best = -MATE + p
    else:
        best = evaluate(s, p)
        if best >= beta:
            return best
        alpha = max(alpha, best)
    n = generate(s, p, not check)
    base = best
    for i in range(n):
        m = Int(s.moves[p, i])
        taken, promotion = m >> 15 & 7, m >> 18 & 7
        o = WORTH[taken] * 10 - WORTH[m >> 12 & 7] // 10 if taken != NOTHING else -5000
        s.order[p, i] = o + (WORTH[promotion] * 10 if promotion else 0)
    for i in range(n):
        m = pick(s, p, i, n)
        if not check and not s.plain:
            gain = WORTH[m >> 15 & 7] + (800 if m >> 18 & 7 else 0)
            if base + gain + 200 < alpha or loses_material(s, p, m):
                continue
        make(s, p, m)
        v = -quiet(s, p + 1, -beta, -alpha, heads, pool)
        if v > best:
            best = v
            if v > alpha:
                alpha = v
                extend_line(s, p, m)
                if v >= beta:
                    return best
    return best


@jitted(Bool(State, Int))
def is_barred(s, move):
    """Is this move of the first row left out?"""
    for i in range(s.bars):
        if s.barred[i] & MOVE_BITS == move & MOVE_BITS:
            return True
    return False


@jitted(Int(State, Int, Int, Int, Int, Table, Heads, Pool))
def search(s, p, depth, alpha, beta, table, heads, pool):
    """Fail-soft alpha-beta. No literal may stand among the arguments of a recursive call.

    Longer than functions are here: parts that take turns within one loop share its variables.
    """
    s.line_length[p] = 0
    if s.stop:
        return 0
    if s.nodes >= s.limit:
        s.stop = 1
        return 0
    check = in_check(s, p)
    if check and not s.plain:
        depth += 1
    if depth <= 0:
        return quiet(s, p, alpha, beta, heads, pool)
    s.nodes += 1
    s.path[p] = s.pos[p, KEY]
    if p:
        if s.pos[p, CLOCK] >= U(FIFTY):
            return at_fifty(s, p)
        if nobody_can_win(s, p) or repeated(s, p):
            return 0
        data = known(s, p, heads, pool)
        if data != INFINITE:
            return data
        if p > DEEPEST:
            return evaluate(s, p)
        alpha, beta = max(alpha, -MATE + p), min(beta, MATE - p - 1)
        if alpha >= beta:
            return alpha
    key = table_key(s, p)
    at = Int(key & U(len(table) - 1))
    first, wide = 0, beta - alpha > 1
    if table[at, 0] == key and not s.plain:
        word = Int(table[at, 1])
        first, v = word & 0xFFFFFF, (word >> 24 & 0xFFFF) - 32768
        bound, old = word >> 40 & 3, (word >> 42 & 0xFF) - 64
        v = v - p if v > SURE else v + p if v < -SURE else v
        if p and not wide and old >= depth:
            if bound == 0 or (bound == 1 and v >= beta) or (bound == 2 and v <= alpha):
                return v
    skips, here = False, 0
    if not wide and not check and not s.plain and s.made[p]:
        here = evaluate(s, p)
        skips = abs(alpha) < SURE and abs(beta) < SURE
        if skips and piece_worth(s, p, Int(s.pos[p, SIDE])) >= 500:
            if depth <= 3 and here - 90 * depth >= beta:
                return here
            if depth >= 3 and here >= beta:
                pass_move(s, p)
                less = 4 if depth > 6 else 3
                v = -search(s, p + 1, depth - less, -beta, -beta + 1, table, heads, pool)
                if s.stop:
                    return 0
                if beta <= v < SURE:
                    return v
    n = generate(s, p, False)
    if n == 0:
        return -MATE + p if check else 0
    rank(s, p, n, first)
    start, best, chosen, looked = alpha, -INFINITE, 0, 0
    hope = here + 60 + 100 * depth
    skips = skips and depth <= 3 and hope <= alpha
    for i in range(n):
        m = pick(s, p, i, n)
        if p == 0 and s.bars and is_barred(s, m):
            continue
        calm = m >> 15 & 7 == NOTHING and m >> 18 & 7 == 0
        make(s, p, m)
        checks = calm and in_check(s, p + 1)
        if skips and looked and calm and not checks:
            best = max(best, hope)
            continue
        looked += 1
        if looked == 1:
            v = -search(s, p + 1, depth - 1, -beta, -alpha, table, heads, pool)
        else:
            less = 0
            if depth >= 3 and looked > 3 and calm and not (check or checks or s.plain):
                if s.order[p, i] < 800_000:
                    less = 1 + (1 if looked > 10 else 0) + (1 if depth > 6 else 0)
            v = -search(s, p + 1, depth - 1 - less, -alpha - 1, -alpha, table, heads, pool)
            if v > alpha and less and not s.stop:
                v = -search(s, p + 1, depth - 1, -alpha - 1, -alpha, table, heads, pool)
            if alpha < v < beta and not s.stop:
                v = -search(s, p + 1, depth - 1, -beta, -alpha, table, heads, pool)
        if s.stop:
            return 0
        if v > best:
            best, chosen = v, m
            if v > alpha:
                alpha = v
                extend_line(s, p, m)
                if v >= beta:
                    if calm:
                        remember(s, p, m, depth)
                    break
    if looked == 0:
        return -INFINITE  # all moves of the first row are barred
    if p or s.bars == 0:
        v = best + p if best > SURE else best - p if best < -SURE else best
        bound = 1 if best >= beta else 2 if best <= start else 0
        table[at, 0] = key
        packed = chosen | (v + 32768) << 24 | bound << 40 | (min(depth, 100) + 64) << 42
        table[at, 1] = U(packed)
    return best


@jitted(Int(State, Int, Int, Int, Table, Heads, Pool))
def around(s, p, depth, guess, table, heads, pool):
    """``search`` with a window around a guess (G. M. Baudet, 1978), and all where it fails."""
    low, high = guess - WINDOW, guess + WINDOW
    if depth < 4 or abs(guess) > SURE or s.plain:
        low, high = -INFINITE, INFINITE
    v = search(s, p, depth, low, high, table, heads, pool)
    if (v <= low or v >= high) and not s.stop:
        low, high = -INFINITE, INFINITE
        v = search(s, p, depth, low, high, table, heads, pool)
    return v


@jitted(Void(State, Int))
def begin(s, limit):
    """Forget the last search but for the table."""
    s.nodes, s.stop, s.limit = 0, 0, limit
    s.made[0] = 1
    for p in range(PLIES):
        s.killers[p, 0], s.killers[p, 1], s.line_length[p] = 0, 0, 0
    for c in range(2):
        for a in range(64):
            for b in range(64):
                s.history[c, a, b] = 0


@jitted(Int(State, Int, Int, Table, Heads, Pool, Line, Ints))
def deepen(s, deepest, limit, table, heads, pool, line, out):
    """Search row 0 ply by ply; the depth that was completed, at least 1.

    ``line``: the best line, ``out``: score, length of the line, positions looked at.
    """
    begin(s, limit)
    done, guess = 0, 0
    for depth in range(1, deepest + 1):
        if depth == 1:
            s.limit = 1 << 62
        v = around(s, 0, depth, guess, table, heads, pool)
        s.limit = limit
        if s.stop:
            break
        done, guess = depth, v
        out[0], out[1] = v, s.line_length[0]
        for i in range(out[1]):
            line[i] = s.line[0, i]
        if abs(v) > SURE or s.nodes >= limit:
            break
    out[2] = s.nodes
    return done


@jitted(Int(State, Int, Int, Table, Heads, Pool, Lines, Lines))
def each_move(s, deepest, limit, table, heads, pool, lines, out):
    """Search each move of row 0 to the same depth, as deep as the limit allows.

    ``lines``: best line of each; ``out``: rows of move, score, length of the line. Returns the
    depth that was completed for all of them, the move itself counted. ``lines`` has two rows a
    move and ``out`` five columns: the later ones hold the depth that is being worked on.
    """
    begin(s, limit)
    s.path[0] = s.pos[0, KEY]
    n = generate(s, 0, False)
    for i in range(n):
        out[i, 0], out[i, 1] = s.moves[0, i], 0
    done = 0
    for depth in range(1, deepest + 1):
        if depth == 1:
            s.limit = 1 << 62
        for i in range(n):
            make(s, 0, Int(out[i, 0]))
            v = around(s, 1, depth - 1, -Int(out[i, 1]), table, heads, pool)
            if s.stop:
                break
            out[i, 3] = -v
            out[i, 4] = s.line_length[1] + 1
            lines[n + i, 0] = out[i, 0]
            for j in range(s.line_length[1]):
                lines[n + i, j + 1] = s.line[1, j]
        s.limit = limit
        if s.stop:
            break
        done = depth
        for i in range(n):
            out[i, 1], out[i, 2] = out[i, 3], out[i, 4]
            for j in range(out[i, 2]):
                lines[i, j] = lines[n + i, j]
        if s.nodes >= limit:
            break
    return done


# --- mates in few moves ----------------------------------------------------------------------


@jitted(Void(State, Int, Int))
def _rank_by_answers(s, p, n):
    """Checks first, then moves that leave few answers."""
    for i in range(n):
        make(s, p, Int(s.moves[p, i]))
        check = in_check(s, p + 1)
        s.order[p, i] = (1000 if check else 0) - generate(s, p + 1, False)


@jitted(Void(State, Int, Int))
def _rank_answers(s, p, n):
    """What refuted the move before first, then captures."""
    for i in range(n):
        m = Int(s.moves[p, i])
        s.order[p, i] = 30_000 if m == s.killers[p, 0] else WORTH[m >> 15 & 7]


@jitted(Bool(State, Int, Int))
def mates(s, p, moves):
    """Does the side to move mate within so many moves, whatever is answered?

    False as well when the limit of positions is met (``s.stop``). The move is s.line[p, 0].
    """
    if p and s.pos[p, CLOCK] >= U(FIFTY):
        return False
    n = generate(s, p, False)
    if moves > 1:
        _rank_by_answers(s, p, n)
    for i in range(n):
        m = pick(s, p, i, n) if moves > 1 else Int(s.moves[p, i])
        make(s, p, m)
        s.nodes += 1
        if s.nodes >= s.limit:
            s.stop = 1
            return False
        if moves == 1 and not in_check(s, p + 1):
            continue
        answers = generate(s, p + 1, False)
        mated = answers > 0 or in_check(s, p + 1)
        if answers and (moves == 1 or s.pos[p + 1, CLOCK] >= U(FIFTY)):
            continue
        _rank_answers(s, p + 1, answers)
        for j in range(answers):
            answer = pick(s, p + 1, j, answers)
            make(s, p + 1, answer)
            s.nodes += 1
            if not mates(s, p + 2, moves - 1):
                s.killers[p + 1, 0] = answer
                mated = False
                break
        if s.stop:
            return False
        if mated:
            s.line[p, 0] = m
            return True
    return False


@jitted(Int(State, Int, Int))
def mate_within(s, moves, limit):
    """The smallest number of moves in which row 0 mates, 0 if none was found."""
    begin(s, limit)
    for n in range(1, moves + 1):
        if mates(s, 0, n):
            return n
        if s.stop:
            return 0
    return 0
