"""Lines into the exact leaves that hold against every reply, compiled.

No pruning but by what is out of reach: with n men more than the leaves hold, n captures are needed
at least, so ``depth`` plies leave room for ``depth - n`` moves that take nothing. A row of the
table is two words: the key with the question in it, and packed answer (1 shown, 0 not), depth and
move. What is shown is shown at any greater depth, what is not at no smaller one.

The table does not know the clock and keys can collide: what is shown here is verified before it is
told (``lines``).
"""

from __future__ import annotations

from typing import Final

from convert.judging.search.kernel import WORTH, Table, pick
from convert.judging.search.leaves import UNKNOWN, Heads, Pool, men_of, probe
from convert.judging.search.moves import (
    CLOCK,
    KEY,
    NOTHING,
    SIDE,
    State,
    generate,
    in_check,
    make,
)
from convert.judging.search.words import Bool, Int, U, Void, Word, jitted

CLAIM: Final = 99
"""Halfmove clock from which on a draw may be claimed, or announced."""
_QUESTION: Final = (
    U(0x2545F4914F6CDD1D),
    U(0x9E6C63D0876A9A47),
    U(0xD1342543DE82EF95),
    U(0xAF251AF3B0F025B5),
)
_DEEP: Final = 40


@jitted(Word(Int, Int))
def question(goal, who):
    """A word for what is asked: goal 1 or 0 for side who."""
    return _QUESTION[0 if goal and who else 1 if goal else 2 if who else 3]


@jitted(Void(State, Int, Int, Int, Bool))
def _rank_forced(s, p, n, first, attacks):
    """The table's move, what refuted before, captures of the most, then checks."""
    for i in range(n):
        m = Int(s.moves[p, i])
        taken = m >> 15 & 7
        if m == first:
            o = 1 << 30
        elif taken != NOTHING:
            o = 20_000 + WORTH[taken] * 10 - WORTH[m >> 12 & 7] // 10
        elif m >> 18 & 7:
            o = 15_000
        else:
            o = 0
            if attacks:
                make(s, p, m)
                o = 5000 if in_check(s, p + 1) else 0
        if m == s.killers[p, 0]:
            o += 10_000
        s.order[p, i] = o


@jitted(Bool(State, Int, Int, Int, Int, Table, Heads, Pool))
def forces(s, p, depth, goal, who, table, heads, pool):
    """Does side who win (goal 1), or not lose (goal 0), within so many plies of row p?

    False as well where the limit of positions is met (``s.stop``). Where that side is to move, its
    move is ``s.line[p, 0]``.
    """
    side, over = Int(s.pos[p, SIDE]), men_of(s, p) - s.men
    if over <= 0:
        data = probe(s, p, heads, pool)
        if data != UNKNOWN:
            return (data if side == who else -data) >= goal
    s.nodes += 1
    if s.nodes >= s.limit:
        s.stop = 1
        return False
    room, attacks = depth - max(over, 0), side == who
    far = depth <= 0 or room < 0 or p >= _DEEP or s.pos[p, CLOCK] >= U(CLAIM)
    if attacks and far:
        return False
    key = s.pos[p, KEY] ^ question(goal, who)
    at, first = Int(key & U(len(table) - 1)), 0
    if table[at, 0] == key:
        word = Int(table[at, 1])
        first = word & 0xFFFFFF
        if word >> 32 & 1:
            if word >> 24 & 0xFF <= depth:
                s.line[p, 0] = first
                return True
        elif word >> 24 & 0xFF >= depth:
            return False
    n = generate(s, p, attacks and room == 0)
    if n == 0 and not (attacks and room == 0):
        worth = 0
        if in_check(s, p):
            worth = -1 if attacks else 1
        return worth >= goal
    if not attacks:
        if far:
            return False
        if room == 0:
            for i in range(n):
                if Int(s.moves[p, i]) >> 15 & 7 == NOTHING:
                    return False
    _rank_forced(s, p, n, first, attacks)
    shown, chosen = not attacks, 0
    for i in range(n):
        m = pick(s, p, i, n)
        make(s, p, m)
        holds = forces(s, p + 1, depth - 1, goal, who, table, heads, pool)
        if s.stop:
            return False
        if holds == attacks:
            shown, chosen = attacks, m
            s.killers[p, 0] = m
            break
    if attacks and shown:
        s.line[p, 0] = chosen
    table[at, 0] = key
    table[at, 1] = U(chosen | min(depth, 255) << 24 | (1 << 32 if shown else 0))
    return shown


@jitted(Bool(State, Int, Int, Int, Int, Table, Heads, Pool))
def forced(s, depth, goal, who, limit, table, heads, pool):
    """``forces`` for row 0; ``s.nodes`` tells how many positions were looked at."""
    s.nodes, s.stop, s.limit = 0, 0, limit
    return forces(s, 0, depth, goal, who, table, heads, pool)


__all__ = ["forced"]
