"""Slow and simple references for the retrograde solver; nothing here is shared with it.

* ``one_ply_value`` and ``one_ply_interval`` work out a position's own value from those of the
  positions one legal move later, as python-chess generates them;
* ``retrograde`` solves a whole pawnless class position by position, one byte each;
* ``syzygy_value`` and ``fits_rounding`` read the Syzygy tables and allow for their rounding.

Outcomes belong to the side to move and hold with the halfmove clock at 0. Distances (DTZ) are
signed plies to the next zeroing move or mate, as in ``tablebases.values``; more than 100 in size
exactly for a cursed win or a blessed loss; -1 for a side that is mated. The conventions are those
of the Syzygy tables as python-chess documents them (``chess.syzygy.Tablebase.probe_dtz``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import factorial, prod
from typing import Any, Final, TypeAlias

import chess
import numpy as np
from numba import njit
from numpy.typing import NDArray

from tablebases import Outcome, SyzygyProber

__all__ = [
    "Retrograde",
    "claimable_interval",
    "fits_rounding",
    "one_ply_interval",
    "one_ply_value",
    "retrograde",
    "syzygy_value",
]

Ask: TypeAlias = Callable[[chess.Board], tuple[Outcome, int]]
"""Outcome and exact signed DTZ in plies for the side to move, clock 0."""

AskInterval: TypeAlias = Callable[[chess.Board], tuple[Outcome, Outcome]]
"""Lowest and highest outcome still possible for the side to move, clock 0."""

AskDistance: TypeAlias = Callable[[chess.Board], int | None]
"""Exact signed DTZ in plies for the side to move, or None if it is not known."""

CURSED: Final = 101
"""Fewest plies of a cursed win; also what a zeroing move into a cursed win counts for."""


# --- one ply ---------------------------------------------------------------------------------


def one_ply_value(board: chess.Board, ask: Ask) -> tuple[Outcome, int]:
    """The value of a position from the values of its successors.

    The definition, for the side to move with the halfmove clock at 0:

    * A zeroing move (capture or pawn move, en passant and promotion included) resets the clock,
      so the successor's outcome is the move's outcome. It counts 1 ply, or 101 if the outcome is
      cursed or blessed. A mate counts 1 ply.
    * A quiet move goes on counting: it takes one ply more than the successor does. What is won or
      lost that way in more than 100 plies is cursed or blessed; this is where a successor lost in
      100 plies makes a cursed win in 101.
    * The winner takes the least count over his winning moves; every count of a true win is
      below that of every cursed one, so a true win is preferred by itself.
    * A position is lost if every move loses, be it blessed; the loser takes the largest count,
      so he prefers a blessed loss to a loss. Any other move holds at least the draw.
    * Without a legal move it is mate (lost, -1) or stalemate (drawn, 0).

    Args:
        board: a legal position; left as it was. Its clock is not looked at.
        ask: called for every position one legal move later, with the clock set to 0 and with
            the en passant right that the move gives. Mated and stalemated positions are asked
            too, but a mate is recognised on the board.

    Returns:
        The outcome and the signed DTZ in plies for the side to move.
    """
    counts: list[int] = []
    for zeroing, after in _successors(board):
        outcome, plies = ask(after)
        if after.is_checkmate():
            counts.append(1)
        elif outcome == Outcome.DRAW:
            counts.append(0)
        elif zeroing:
            counts.append(-_sign(outcome) * (1 if abs(outcome) == 2 else CURSED))
        else:
            counts.append(-_sign(outcome) * (abs(plies) + 1))
    if not counts:
        return (Outcome.LOSS, -1) if board.is_check() else (Outcome.DRAW, 0)
    if wins := [count for count in counts if count > 0]:
        return _with_outcome(min(wins))
    if 0 in counts:
        return Outcome.DRAW, 0
    return _with_outcome(min(counts))


def one_ply_interval(
    board: chess.Board, ask: AskInterval, ask_distance: AskDistance | None = None
) -> tuple[Outcome, Outcome]:
    """The interval of a position from the intervals of its successors.

    If each successor's true outcome lies in its interval, that of the position lies in the one
    returned. A quiet move into a lost position wins, or wins cursed if the loss takes 100 plies;
    where ``ask_distance`` does not say, both ends are allowed for. The same for a quiet move
    into a won position.

    Args:
        board: a legal position; left as it was. Its clock is not looked at.
        ask: called for every position one legal move later, clock 0.
        ask_distance: called for those whose interval is a single win or loss.

    Returns:
        The lowest and highest outcome still possible for the side to move.
    """
    return _interval(board, ask, ask_distance, generous=False)


def claimable_interval(board: chess.Board, ask: AskInterval) -> tuple[Outcome, Outcome]:
    """The narrowest interval that the successors' intervals can justify.

    As ``one_ply_interval``, but a quiet move into a lost position is taken to win in time, and
    one into a won position to lose in time. Whoever knows of each successor no more than its
    interval (and its distance) cannot prove a low outcome above this low one, nor a high outcome
    below this high one.
    """
    return _interval(board, ask, None, generous=True)


def _interval(
    board: chess.Board, ask: AskInterval, ask_distance: AskDistance | None, *, generous: bool
) -> tuple[Outcome, Outcome]:
    ends: list[tuple[Outcome, Outcome]] = []
    for zeroing, after in _successors(board):
        if after.is_checkmate():
            return Outcome.WIN, Outcome.WIN
        their_low, their_high = ask(after)
        low, high = their_high.opposite, their_low.opposite
        if not zeroing and not generous:
            settled = low == high and abs(low) == 2
            plies = ask_distance(after) if settled and ask_distance is not None else None
            if plies is None:
                low = Outcome.CURSED_WIN if low == Outcome.WIN else low
                high = Outcome.BLESSED_LOSS if high == Outcome.LOSS else high
            elif abs(plies) >= CURSED - 1:
                low = high = Outcome(_sign(low))
        ends.append((low, high))
    if not ends:
        only = Outcome.LOSS if board.is_check() else Outcome.DRAW
        return only, only
    return max(low for low, _ in ends), max(high for _, high in ends)


def _successors(board: chess.Board) -> Iterator[tuple[bool, chess.Board]]:
    """Every position one legal move later with clock 0, and whether the move is zeroing."""
    for move in list(board.legal_moves):
        after = board.copy(stack=False)
        after.push(move)
        after.halfmove_clock = 0
        yield board.is_zeroing(move), after


def _with_outcome(plies: int) -> tuple[Outcome, int]:
    return Outcome(_sign(plies) * (2 if abs(plies) < CURSED else 1)), plies


def _sign(value: int) -> int:
    return (value > 0) - (value < 0)


# --- tables ----------------------------------------------------------------------------------


def syzygy_value(prober: SyzygyProber, board: chess.Board) -> tuple[Outcome, int]:
    """Outcome and DTZ in plies just as the Syzygy tables give them, for the side to move.

    The number of plies can be one too small in size; see ``fits_rounding``.

    Raises:
        TablebaseError: if the tables cannot answer.
    """
    return prober.wdl_after_zeroing(board), prober.table_dtz(board)


def fits_rounding(exact_plies: int, table_dtz: int) -> bool:
    """Can an exact signed DTZ stand in the tables as ``table_dtz``?

    "A return value -n can mean a losing zeroing move in n + 1 plies and a return value +n can
    mean a winning zeroing move in n + 1 plies" (python-chess, ``probe_dtz``).

    >>> fits_rounding(-8, -7), fits_rounding(-7, -8), fits_rounding(1, 0)
    (True, False, False)
    """
    if _sign(exact_plies) != _sign(table_dtz):
        return False
    return abs(exact_plies) - abs(table_dtz) in (0, 1)


# --- a pawnless class, position by position ----------------------------------------------------

ILLEGAL: Final = -128
_KINDS: Final = "KQRBN"
_STRAIGHT: Final = ((0, 1), (0, -1), (1, 0), (-1, 0))
_SLANTED: Final = ((1, 1), (1, -1), (-1, 1), (-1, -1))
_LEAPS: Final = ((1, 2), (2, 1), (2, -1), (1, -2), (-1, -2), (-2, -1), (-2, 1), (-1, 2))
_STEPS: Final = {
    "K": _STRAIGHT + _SLANTED,
    "Q": _STRAIGHT + _SLANTED,
    "R": _STRAIGHT,
    "B": _SLANTED,
    "N": _LEAPS,
}


@dataclass(frozen=True, eq=False)
class Retrograde:
    """A solved pawnless class.

    Attributes:
        white: White's men, the king first, e.g. "KR".
        black: Black's men, the king first.
        dtz: int8 array; first axis 0 with White to move and 1 with Black to move, then one axis
            for each man: white king, black king, White's others, Black's others. Signed DTZ in
            plies for the side to move, 0 drawn, -1 also for mate, -128 no legal position.
        folded: only positions with the white king on a1-d4 are held (that axis is 16 long,
            ``4 * rank + file``); the others are mirror images of them.
    """

    white: str
    black: str
    dtz: NDArray[np.int8]
    folded: bool

    @property
    def positions(self) -> int:
        """Number of places in the table: both sides to move, illegal ones included."""
        return int(self.dtz.size)

    def win(self, turn: chess.Color) -> NDArray[np.bool_]:
        """Where the side ``turn``, on the move, wins."""
        found: NDArray[np.bool_] = self._of(turn) > 0
        return found

    def draw(self, turn: chess.Color) -> NDArray[np.bool_]:
        """Where it is drawn with ``turn`` on the move."""
        found: NDArray[np.bool_] = self._of(turn) == 0
        return found

    def loss(self, turn: chess.Color) -> NDArray[np.bool_]:
        """Where the side ``turn``, on the move, loses."""
        side = self._of(turn)
        found: NDArray[np.bool_] = (side < 0) & (side != ILLEGAL)
        return found

    def count_wins(self, turn: chess.Color) -> int:
        """Placements on the whole board that ``turn``, on the move, wins; see ``_count``."""
        return self._count(self.win(turn))

    def count_draws(self, turn: chess.Color) -> int:
        """Placements on the whole board that are drawn with ``turn`` on the move."""
        return self._count(self.draw(turn))

    def count_losses(self, turn: chess.Color) -> int:
        """Placements on the whole board that ``turn``, on the move, loses."""
        return self._count(self.loss(turn))

    def longest_win(self, turn: chess.Color) -> int:
        """Largest DTZ in plies among the wins of ``turn`` on the move; 0 if there is none."""
        return max(0, int(self._of(turn).max()))

    def value(self, board: chess.Board) -> tuple[Outcome, int]:
        """Outcome and exact signed DTZ in plies for the side to move, clock 0.

        Raises:
            ValueError: if the board's men are not those of this class.
        """
        squares = _squares(board, self.white, self.black)
        mirror = _mirror(squares[0]) if self.folded else 0
        first, *rest = (square ^ mirror for square in squares)
        king = (first >> 3) * 4 + (first & 7) if self.folded else first
        plies = int(self.dtz[(0 if board.turn else 1, king, *rest)])
        if plies == ILLEGAL:
            raise ValueError(f"not a legal position: {board.fen()}")
        return Outcome(2 * _sign(plies)), plies

    def _of(self, turn: chess.Color) -> NDArray[np.int8]:
        side: NDArray[np.int8] = self.dtz[0 if turn else 1]
        return side

    def _count(self, where: NDArray[np.bool_]) -> int:
        """Mirror images count separately; men of one kind and colour are interchangeable."""
        same = prod(
            factorial(n) for n in (Counter(self.white) + _lower(self.black)).values() if n > 1
        )
        return int(where.sum()) * (4 if self.folded else 1) // same


def retrograde(white: str, black: str, *, fold: bool = False) -> Retrograde:
    """Solve a pawnless class of two to four men, position by position.

    The textbook algorithm: for each position count the legal quiet moves; start from the mates
    and the captures, whose values come from the smaller classes (solved first, the same way); go
    back by un-moves in the order of the distance. A position is won as soon as one successor is
    lost, and lost when its counter has come down to 0 and no capture holds more.

    Args:
        white: White's men, e.g. "KR".
        black: Black's men, e.g. "KN".
        fold: keep only one position of each set of four mirror images (left and right, top and
            bottom); four times as fast. Without it the table has 2 * 64**men bytes.

    Raises:
        ValueError: for other letters, not one king a side, or more than four men.
        OverflowError: if a win takes more than 100 plies; then cursed wins would have to be told
            apart, which one byte a position leaves no room for.
    """
    for men in (white, black):
        if men.count("K") != 1 or men[0] != "K" or not set(men) <= set(_KINDS):
            raise ValueError(f"not the men of one side, king first and no pawns: {men!r}")
    if len(white + black) > 4:
        raise ValueError(f"more than four men: {white} v {black}")
    return _solve(white, black, fold, {})


def _solve(
    white: str, black: str, fold: bool, solved: dict[tuple[str, str], Retrograde]
) -> Retrograde:
    if (white, black) in solved:
        return solved[white, black]
    others = [(letter, 1) for letter in white[1:]] + [(letter, 0) for letter in black[1:]]
    smaller: list[NDArray[np.int8]] = []
    for taken in range(len(others)):
        left = others[:taken] + others[taken + 1 :]
        fewer = _solve(
            "K" + "".join(letter for letter, side in left if side),
            "K" + "".join(letter for letter, side in left if not side),
            fold,
            solved,
        )
        smaller.append(fewer.dtz.reshape(-1))
    kinds = np.array([_KINDS.index(letter) for letter, _ in [("K", 1), ("K", 0), *others]])
    sides = np.array([1, 0] + [side for _, side in others])
    kings = 16 if fold else 64
    shape = (2, kings, *[64] * (len(others) + 1))
    dtz = np.zeros(shape, dtype=np.int8).reshape(2, -1)
    counter = np.zeros(dtz.shape, dtype=np.uint8)
    queue = np.empty(dtz.size, dtype=np.int32)
    below = np.concatenate(smaller) if smaller else np.zeros(0, dtype=np.int8)
    rays, hits, between = _TABLES
    ends = _start(dtz, counter, queue, below, kinds, sides, fold, rays, hits, between)
    longest = _go_back(dtz, counter, queue, ends[0], ends[1], kinds, sides, fold, rays)
    if longest >= CURSED:
        raise OverflowError(f"{white} v {black} has wins of more than 100 plies")
    result = Retrograde(white, black, dtz.reshape(shape), fold)
    solved[white, black] = result
    return result


def _tables() -> tuple[NDArray[np.int8], NDArray[np.bool_], NDArray[np.uint64]]:
    """Moves of the men on an empty board.

    Returns:
        rays[kind, square, direction, step], padded with -1; hits[kind, from, to]: does the man
        attack that square on an empty board; between[from, to]: the squares that must be empty.
    """
    rays = np.full((len(_KINDS), 64, 8, 8), -1, dtype=np.int8)
    hits = np.zeros((len(_KINDS), 64, 64), dtype=np.bool_)
    between = np.zeros((64, 64), dtype=np.uint64)
    for kind, letter in enumerate(_KINDS):
        reach = 1 if letter in "KN" else 7
        for origin in range(64):
            for direction, (over, up) in enumerate(_STEPS[letter]):
                passed = 0
                for step in range(1, reach + 1):
                    file, rank = origin % 8 + over * step, origin // 8 + up * step
                    if not (0 <= file < 8 and 0 <= rank < 8):
                        break
                    target = rank * 8 + file
                    rays[kind, origin, direction, step - 1] = target
                    hits[kind, origin, target] = True
                    if letter == "Q":
                        between[origin, target] = passed
                    passed |= 1 << target
    return rays, hits, between


_TABLES: Final = _tables()


def _squares(board: chess.Board, white: str, black: str) -> list[int]:
    found: list[int] = []
    wanted = [("K", chess.WHITE), ("K", chess.BLACK)]
    wanted += [(letter, chess.WHITE) for letter in white[1:]]
    wanted += [(letter, chess.BLACK) for letter in black[1:]]
    for letter, side in wanted:
        kind = chess.PIECE_SYMBOLS.index(letter.lower())
        free = [square for square in board.pieces(kind, side) if square not in found]
        if not free:
            raise ValueError(f"not {white} v {black}: {board.fen()}")
        found.append(free[0])
    if len(found) != chess.popcount(board.occupied):
        raise ValueError(f"not {white} v {black}: {board.fen()}")
    return found


def _mirror(king: int) -> int:
    return (7 if king & 4 else 0) ^ (56 if king & 32 else 0)


def _lower(men: str) -> Counter[str]:
    return Counter(men.lower())


# The kernels. ``side`` is 0 with White to move and 1 with Black to move, as the first axis of the
# table; ``sides`` holds 1 for White's men and 0 for Black's, so a man moves if sides[m] != side.


@njit(cache=True)
def _place(index: int, fold: bool, squares: Any) -> None:
    """Squares of all men of a place in the table."""
    for man in range(len(squares) - 1, 0, -1):
        squares[man] = index & 63
        index >>= 6
    squares[0] = (index >> 2) * 8 + (index & 3) if fold else index


@njit(cache=True)
def _index(squares: Any, without: int, fold: bool) -> int:
    """Place in the table of the men on these squares, one man left out (-1: none)."""
    king = squares[0]
    mirror = 0
    if fold:
        if king & 4:
            mirror ^= 7
        if king & 32:
            mirror ^= 56
        king ^= mirror
        king = (king >> 3) * 4 + (king & 7)
    index: int = king
    for man in range(1, len(squares)):
        if man != without:
            index = index * 64 + (squares[man] ^ mirror)
    return index


@njit(cache=True)
def _attacked(
    target: int,
    side: int,
    without: int,
    occupied: Any,
    squares: Any,
    kinds: Any,
    sides: Any,
    hits: Any,
    between: Any,
) -> bool:
    """Is a square attacked by the men of the side to move, one man left out?"""
    for man in range(len(squares)):
        if sides[man] != side and man != without:
            origin = squares[man]
            if hits[kinds[man], origin, target] and not between[origin, target] & occupied:
                return True
    return False


@njit(cache=True)
def _start(
    dtz: Any,
    counter: Any,
    queue: Any,
    below: Any,
    kinds: Any,
    sides: Any,
    fold: bool,
    rays: Any,
    hits: Any,
    between: Any,
) -> tuple[int, int]:
    """Legality, mates, captures and the number of quiet moves of every position.

    ``below`` holds the tables of the smaller classes one after the other. ``counter`` gets 255
    where a capture or stalemate holds the draw. The queue gets the mates, then what a capture
    settles in one ply; returned are both ends.
    """
    men = len(kinds)
    one = np.uint64(1)
    size = dtz.shape[1]
    smaller = size // 64
    squares = np.zeros(men, np.int64)
    mated = 0
    settled = len(queue)
    for index in range(size):
        _place(index, fold, squares)
        occupied = np.uint64(0)
        clash = False
        for man in range(men):
            bit = one << np.uint64(squares[man])
            clash |= (occupied & bit) != 0
            occupied |= bit
        if clash or hits[0, squares[0], squares[1]]:
            dtz[0, index] = -128
            dtz[1, index] = -128
            continue
        for side in range(2):
            if _attacked(
                squares[1 - side], side, -1, occupied, squares, kinds, sides, hits, between
            ):
                dtz[side, index] = -128
                continue
            quiet = 0
            best = -2  # of the captures: -1 loses, 0 draws, 1 wins
            for man in range(men):
                if sides[man] == side:
                    continue
                origin = squares[man]
                for direction in range(8):
                    for step in range(7):
                        target = rays[kinds[man], origin, direction, step]
                        if target < 0:
                            break
                        taken = -1
                        if occupied >> np.uint64(target) & one:
                            for other in range(men):
                                if squares[other] == target:
                                    taken = other
                            if sides[taken] != side:
                                break
                        after = (occupied ^ one << np.uint64(origin)) | one << np.uint64(target)
                        squares[man] = target
                        if not _attacked(
                            squares[side],
                            1 - side,
                            taken,
                            after,
                            squares,
                            kinds,
                            sides,
                            hits,
                            between,
                        ):
                            if taken < 0:
                                quiet += 1
                            else:
                                where = (taken - 2) * 2 * smaller + (1 - side) * smaller
                                reply = below[where + _index(squares, taken, fold)]
                                result = -1 if reply > 0 else (1 if reply < 0 else 0)
                                best = max(best, result)
                        squares[man] = origin
                        if taken >= 0:
                            break
            if best == 1:
                dtz[side, index] = 1
            elif best == 0:
                counter[side, index] = 255
            elif quiet > 0:
                counter[side, index] = quiet
            elif best == -1:
                dtz[side, index] = -1
            elif _attacked(
                squares[side], 1 - side, -1, occupied, squares, kinds, sides, hits, between
            ):
                dtz[side, index] = -1
                queue[mated] = side * size + index
                mated += 1
                continue
            else:
                counter[side, index] = 255
            if dtz[side, index] != 0:
                settled -= 1
                queue[settled] = side * size + index
    # What captures settle was gathered at the far end; it belongs behind the mates.
    end = mated + len(queue) - settled
    for place in range(mated, end):
        queue[place] = queue[settled + place - mated]
    return mated, end


@njit(cache=True)
def _go_back(
    dtz: Any,
    counter: Any,
    queue: Any,
    mated: int,
    end: int,
    kinds: Any,
    sides: Any,
    fold: bool,
    rays: Any,
) -> int:
    """Un-moves from every settled position, nearest first; returns the largest distance."""
    men = len(kinds)
    one = np.uint64(1)
    size = dtz.shape[1]
    squares = np.zeros(men, np.int64)
    head = 0
    longest = 0
    while head < end:
        side = queue[head] // size
        index = queue[head] - side * size
        plies = dtz[side, index]
        lost = plies < 0
        distance = 0 if head < mated else abs(plies)
        longest = max(longest, distance)
        head += 1
        if distance >= 126:
            break
        _place(index, fold, squares)
        occupied = np.uint64(0)
        for man in range(men):
            occupied |= one << np.uint64(squares[man])
        before = 1 - side
        for man in range(men):
            if sides[man] == before:
                continue
            target = squares[man]
            for direction in range(8):
                for step in range(7):
                    origin = rays[kinds[man], target, direction, step]
                    if origin < 0 or occupied >> np.uint64(origin) & one:
                        break
                    squares[man] = origin
                    earlier = _index(squares, -1, fold)
                    if dtz[before, earlier] == 0:
                        if lost:
                            dtz[before, earlier] = distance + 1
                            queue[end] = before * size + earlier
                            end += 1
                        elif counter[before, earlier] != 255:
                            counter[before, earlier] -= 1
                            if counter[before, earlier] == 0:
                                dtz[before, earlier] = -(distance + 1)
                                queue[end] = before * size + earlier
                                end += 1
            squares[man] = target
    return longest
