"""Ask the solver: ``solve`` a position, then ask the ``Solution`` about it and its neighbours."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import signal
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, Final

import chess
import numpy as np

from tablebases.errors import Contradiction
from tablebases.solver import kernels
from tablebases.solver.code import source_digest
from tablebases.solver.machine import NoRoom, spill_folder, to_spare
from tablebases.solver.plan import (
    BLOCK_BYTES,
    KEEP_RESULT,
    KEEP_START,
    Plan,
    make_plan,
    most_blocks,
    scratch_bytes,
    sizes_of,
    wall_seconds,
)
from tablebases.solver.results import (
    OpenDistances,
    OpenSets,
    Packed,
    open_slice,
    pack,
    place,
)
from tablebases.solver.run import Kept, OutOfMemory, Run, Stopped
from tablebases.solver.store import JSON, Shape, Store
from tablebases.solver.structures import (
    ALL_KINDS,
    LOWER,
    QUEEN_ONLY,
    UPPER,
    Scope,
    Structures,
    expand,
)
from tablebases.values import Answer, Distance, Outcome, outcome_under_clock

if TYPE_CHECKING:
    from tablebases.solver.audit import Audit

Key = tuple[int, int, int]
"""A slice: packed piece codes, White's pawns, Black's pawns."""

Place = tuple[int, int, int, int, int, int, int, bool, int | None]
"""A position: the squares of each kind of man, those of White, the side to move, en passant."""

SOLVER_VERSION: Final = 3
"""Part of every key in the store: raise it when a set would come out differently."""

_WORTH: Final = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9}
_MATE: Final = -1
"""Distance of a side that is mated, as in the tables."""
_OTHER_FILE: Final = 7
"""Combined with a square (XOR) it is the square on the mirror image's file."""
LARGEST_WITH_DISTANCES: Final = 40_960
"""Blocks of the largest slice of which the sets before the first quiet move are kept, so that
distances can be had; of a larger one the solved sets are."""
_OPENED: Final = 600 * 2**20
"""Bytes of opened slices kept in memory at a time."""


@dataclass(frozen=True)
class Budget:
    """How much may be spent.

    What is proved follows from the first three and ``planned`` alone: it is the same on every
    machine, fast, slow or busy, with much memory or little, unless the clock is asked for.

    Attributes:
        seconds: work that may be done, counted in the seconds that the plans estimate for one
            core. No step is begun that would pass it.
        memory: bytes that the sets of one step may take; a machine that has not so much to
            spare keeps them in a file.
        disk: bytes that they may take in a file on top of that.
        threads: number of threads, fewer where each would need much memory.
        planned: False counts seconds on the clock instead: no step is begun that is not expected
            to end in time; one that takes longer may overrun by a tenth of the time, at least 2
            seconds, rather than be thrown away.
        settled: positions of at most so many men are settled whatever it takes; only where
            ``planned``.
        share: number of processes that share the machine's memory.
    """

    seconds: float = 60.0
    memory: int = 3 * 2**30
    disk: int = 0
    threads: int = 2
    planned: bool = True
    settled: int = 0
    share: int = 1


@dataclass(frozen=True)
class Progress:
    """Where the work stands.

    Attributes:
        question: what is being proved, in words.
        done: slices solved in this step; ``slices`` in all.
        share: estimated share of this step that is done, 0 to 1.
        seconds: time since the start; ``left`` is the estimate for the rest of the step.
    """

    question: str
    done: int
    slices: int
    share: float
    seconds: float
    left: float


@dataclass
class Cost:
    """What a solution cost.

    Attributes:
        seconds: time on the clock.
        slices: slices solved; ``positions`` placements in them, both sides to move.
        peak_bytes: largest planned memory of a step.
        from_store: slices that were read from the store.
    """

    seconds: float = 0.0
    slices: int = 0
    positions: int = 0
    peak_bytes: int = 0
    from_store: int = 0


@dataclass(frozen=True)
class Estimate:
    """What is known of a step before it is done, from its plan or from the store.

    Attributes:
        slices: number of slices; ``seconds`` of one core; ``bytes`` with what two threads need.
        complete: no move is left out.
    """

    slices: int
    seconds: float
    bytes: int
    complete: bool


@dataclass(frozen=True)
class Step:
    """One question with a scope: does ``colour`` win, at least or at most?"""

    colour: chess.Color
    scope: Scope

    @property
    def question(self) -> str:
        """The question in words."""
        side = "White" if self.colour else "Black"
        return f"{side} wins" if self.scope.mode == LOWER else f"{side} cannot win"


def framed(board: chess.Board, colour: chess.Color) -> chess.Board:
    """The board seen by ``colour``: that side is White."""
    return board if colour else board.mirror()


def positions_of(board: chess.Board, moves_too: bool = True) -> Iterator[chess.Board]:
    """The board itself and, if moves are asked for too, each position one legal move later."""
    yield board
    for move in board.legal_moves if moves_too else ():
        child = board.copy(stack=False)
        child.push(move)
        yield child


def place_of(board: chess.Board) -> Place:
    """The position without its clocks, for tables in memory."""
    ep_square = board.ep_square if board.has_legal_en_passant() else None
    return (
        board.pawns, board.knights, board.bishops, board.rooks, board.queens, board.kings,
        board.occupied_co[chess.WHITE], board.turn, ep_square,
    )  # fmt: skip


def locate(board: chess.Board) -> tuple[Key, list[int]]:
    """The slice of a position and the squares of its pieces, in the order of their codes."""
    white, black = board.occupied_co[chess.WHITE], board.occupied_co[chess.BLACK]
    packed = shift = 0
    squares = []
    code = 1
    for men in (board.knights, board.bishops, board.rooks, board.queens):
        for own in (men & white, men & black):
            while own:
                square = own & -own
                own ^= square
                squares.append(square.bit_length() - 1)
                packed |= code << shift
                shift += 4
            code += 1
    return (packed, board.pawns & white, board.pawns & black), squares


def mirrored(key: Key) -> Key:
    """The slice with left and right exchanged."""
    return key[0], chess.flip_horizontal(key[1]), chess.flip_horizontal(key[2])


def can_solve(board: chess.Board) -> bool:
    """Is this a position for the solver at all: legal, no castling, few enough pieces?"""
    pieces = board.occupied & ~board.kings & ~board.pawns
    return (
        chess.popcount(pieces) <= kernels.MOST_PIECES
        and not board.castling_rights
        and board.is_valid()
        and not board.is_variant_end()
    )


class Sets:
    """Kept slices by mode and key, those opened that were last asked for.

    Args:
        most_opened: bytes of memory for slices that are opened; one is whatever its size.
    """

    def __init__(self, most_opened: int = _OPENED) -> None:
        self.kept: dict[tuple[int, Key], list[Packed]] = {}
        self._most_opened = most_opened
        self._opened: OrderedDict[int, tuple[Packed, OpenDistances | OpenSets]] = OrderedDict()
        self._bytes = 0

    @property
    def packed_bytes(self) -> int:
        """Bytes of the slices as they are kept, compressed."""
        packed = {id(one): one for known in self.kept.values() for one in known}
        return sum(len(blob) for one in packed.values() for blob in one.sets.values())

    @property
    def opened_bytes(self) -> int:
        """Bytes of the slices that are open."""
        return self._bytes

    def close(self) -> None:
        """Let go of the opened slices; they are opened again when they are asked for."""
        self._opened.clear()
        self._bytes = 0

    def add(self, mode: int, key: Key, kept: Kept) -> None:
        """Add a slice; a whole one serves as lower and as upper bound."""
        self.add_packed(mode, key, pack(kept))

    def add_packed(self, mode: int, key: Key, packed: Packed) -> None:
        """As ``add``, of a slice that is compressed already."""
        kept = packed.kept
        for m in (LOWER, UPPER) if kept.whole else (mode,):
            known = self.kept.setdefault((m, key), [])
            if kept.complete:
                known.clear()
            elif any(k.complete or (k.kept.whole and kept.whole) for k in known):
                continue
            known.append(packed)

    def complete(self, key: Key) -> bool:
        """Is the slice, or its mirror image, known exactly?"""
        return any(
            kept.complete for k in (key, mirrored(key)) for kept in self.kept.get((LOWER, k), ())
        )

    def opened(self, packed: Packed) -> OpenDistances | OpenSets:
        """A slice for looking up."""
        found = self._opened.get(id(packed))
        if found is not None:
            self._opened.move_to_end(id(packed))
            return found[1]
        result = open_slice(packed)
        self._opened[id(packed)] = (packed, result)
        self._bytes += result.nbytes
        while self._bytes > self._most_opened and len(self._opened) > 1:
            _, (_, old) = self._opened.popitem(last=False)
            self._bytes -= old.nbytes
        return result

    def has(self, mode: int, board: chess.Board) -> bool:
        """Is there anything of this mode about the slice of a framed board?"""
        key = locate(board)[0]
        return any(self.kept.get((mode, k)) for k in (key, mirrored(key)))

    def _known(self, mode: int, key: Key) -> list[tuple[Packed, int]]:
        """What is kept of a slice, each with what its squares are to be combined with (XOR).

        The same structure seen in a mirror serves as well; what is complete on either side of it
        is all that counts.
        """
        found = [(packed, 0) for packed in self.kept.get((mode, key), ())]
        twin = mirrored(key)
        if twin != key:
            found += [(packed, _OTHER_FILE) for packed in self.kept.get((mode, twin), ())]
        return [one for one in found if one[0].complete][:1] or found

    def value(self, mode: int, board: chess.Board) -> tuple[int, int | None] | None:
        """White's win as far as this mode knows, for a framed board.

        Returns:
            (2 for a win, 1 for a win that is too slow under the fifty-move rule, 0 for none; plies
            to the next zeroing move or mate if won, as far as known). None if the slice is not
            kept. Where several sets are known the strongest counts.
        """
        if board.has_legal_en_passant():
            return self._value_en_passant(mode, board)
        return self._plain(mode, board)

    def _plain(self, mode: int, board: chess.Board) -> tuple[int, int | None] | None:
        key, squares = locate(board)
        known = self._known(mode, key)
        if not known:
            return None
        wk, bk = board.king(chess.WHITE), board.king(chess.BLACK)
        assert wk is not None
        assert bk is not None
        values = []
        for packed, flip in known:
            at = place(packed.kept, [square ^ flip for square in squares], wk ^ flip, bk ^ flip)
            level, plies = self.opened(packed).value(board.turn, at)
            if level == 0 and mode == UPPER and packed.kept.slow_unknown:
                level, plies = int(Outcome.CURSED_WIN), None
            values.append((level, plies))
        # A bound is the stronger the quicker the win that is proved, the slower the one that is
        # not excluded.
        return (max if mode == LOWER else min)(values, key=_strength)

    def _value_en_passant(self, mode: int, board: chess.Board) -> tuple[int, int | None] | None:
        """The slice knows nothing of the right to take en passant: add those moves."""
        plain = board.copy(stack=False)
        plain.ep_square = None
        base = self._plain(mode, plain)
        if base is None:
            return None
        replies = []
        for move in board.generate_legal_ep():
            child = board.copy(stack=False)
            child.push(move)
            reply = self._plain(mode, child)
            if reply is None:
                return None
            replies.append(reply[0])
        zeroing = {2: 1, 1: kernels.LAST_TRUE_PLY + 1}
        if board.turn:
            best = max(replies)
            options = [base] if base[0] else []
            if best:
                options.append((best, zeroing[best]))
            if not options:
                return 0, None
            return max(options, key=lambda o: (o[0], -(o[1] or 0)))
        worst = min(replies)
        if not any(plain.generate_legal_moves()) and not plain.is_check():
            return (worst, zeroing[worst]) if worst else (0, None)
        level = min(worst, base[0])
        if not level:
            return 0, None
        plies = base[1]
        if plies is not None:
            plies = max([plies, *(zeroing[r] for r in replies)])
        return level, plies


def _strength(value: tuple[int, int | None]) -> tuple[int, float]:
    """More for a better win: of more worth under the fifty-move rule, then quicker."""
    level, plies = value
    return level, -math.inf if plies is None else -plies


class Solution:
    """What was proved of a position and of those one legal move later.

    Every answer is for the side to move of the board asked about.
    """

    def __init__(self, sets: Sets, cost: Cost):
        self._sets = sets
        self.cost = cost
        self._gathered: dict[tuple[Place, chess.Color], tuple[int, int, int | None]] = {}

    def covers(self, board: chess.Board) -> bool:
        """Is something kept about this position's slice?"""
        if not can_solve(board):
            return False
        parts = list(self._parts(board))
        return any(
            all(self._sets.has(mode, framed(part, colour)) for part in parts)
            for colour in chess.COLORS
            for mode in (LOWER, UPPER)
        )

    def gather(self, boards: Iterable[chess.Board]) -> None:
        """Look all positions up beforehand, slice by slice, and remember what is known of them.

        Slices are large, and a game's positions come back to the same ones again and again:
        asked one by one, each might be opened as often.
        """
        places = {place_of(b): b for b in boards if can_solve(b)}
        for colour in chess.COLORS:
            views = {at: framed(b, colour) for at, b in places.items()}
            order = sorted(views, key=lambda at: locate(views[at])[0])
            lower = {at: self._sets.value(LOWER, views[at]) for at in order}
            for at in order:
                self._gathered[at, colour] = self._between(lower[at], views[at])

    def interval(self, board: chess.Board) -> tuple[Outcome, Outcome]:
        """Worst and best outcome still possible, with the halfmove clock taken as 0.

        Raises:
            Contradiction: if two bounds exclude each other.
        """
        if board.is_checkmate():
            return Outcome.LOSS, Outcome.LOSS
        own, other = self._wins(board, board.turn), self._wins(board, not board.turn)
        return _between(own, other, board)

    def intervals(self, boards: Sequence[chess.Board]) -> list[tuple[Outcome, Outcome]]:
        """``interval`` of each board; much faster than one by one where slices are large.

        Each slice is opened once, however the boards are ordered.
        """
        found = Solution(self._sets, self.cost)
        found.gather(boards)
        return [found.interval(board) for board in boards]

    def _wins(self, board: chess.Board, colour: chess.Color) -> tuple[int, int, int | None]:
        """Least and most that ``colour`` wins (0 to 2), and the plies of the least if known."""
        if self._gathered:
            known = self._gathered.get((place_of(board), colour))
            if known is not None:
                return known
        view = framed(board, colour)
        return self._between(self._sets.value(LOWER, view), view)

    def _between(
        self, lower: tuple[int, int | None] | None, view: chess.Board
    ) -> tuple[int, int, int | None]:
        """What ``_wins`` gives, from what is known at least."""
        low, plies = lower if lower is not None else (0, None)
        upper = self._sets.value(UPPER, view)
        high = int(Outcome.WIN) if upper is None else upper[0]
        if high < low:
            raise Contradiction(
                view.fen(),
                ("the solver's lower bound", "the solver's upper bound"),
                (f"White has at least a {Outcome(low).word}", f"at most a {Outcome(high).word}"),
            )
        return low, high, plies

    def is_open(self, board: chess.Board, colour: chess.Color) -> bool:
        """Is it open whether ``colour`` wins under the fifty-move rule?"""
        low, high, _ = self._wins(board, colour)
        return low < high == Outcome.WIN and not self._wins(board, not colour)[0]

    def exact(self, board: chess.Board) -> bool:
        """Is the slice known exactly for both colours, so that distances are exact as well?"""
        return all(
            self._sets.complete(locate(framed(b, colour))[0])
            for colour in chess.COLORS
            for b in self._parts(board)
        )

    @staticmethod
    def _parts(board: chess.Board) -> Iterator[chess.Board]:
        yield board
        if board.has_legal_en_passant():
            for move in board.generate_legal_ep():
                child = board.copy(stack=False)
                child.push(move)
                yield child

    def distance(self, board: chess.Board) -> Distance | None:
        """Distance to the next zeroing move or mate in plies; None unless known exactly."""
        if board.is_checkmate():
            return Distance(_MATE)
        if not self.exact(board):
            return None
        for colour, sign in ((board.turn, 1), (not board.turn, -1)):
            level, _, plies = self._wins(board, colour)
            if level:
                return Distance(sign * plies) if plies else None
        return Distance(0)

    def bound(self, board: chess.Board) -> int | None:
        """Plies in which the winning side can surely force a zeroing move or mate."""
        for colour in chess.COLORS:
            level, _, plies = self._wins(board, colour)
            if level:
                return plies
        return None

    def answer(self, board: chess.Board) -> Answer | None:
        """Outcome under the fifty-move rule with the board's clock; None if nothing is known."""
        if not self.covers(board):
            return None
        low, high = self.interval(board)
        if (low, high) == (Outcome.LOSS, Outcome.WIN):
            return None
        distance = self.distance(board)
        clock = board.halfmove_clock
        if board.is_checkmate() or clock == 0:
            return Answer(low, high, distance)
        if distance is not None and low == high:
            return Answer(*outcome_under_clock(low, distance, clock), distance)
        # A proved win holds if the proof's own way is quick enough, else it may be cursed.
        plies = self.bound(board)
        in_time = plies is not None and plies + clock <= kernels.LAST_TRUE_PLY
        if low is Outcome.WIN and not in_time:
            low = Outcome.CURSED_WIN
        if high is Outcome.LOSS and not in_time:
            high = Outcome.BLESSED_LOSS
        return Answer(low, high, None)

    def best_moves(self, board: chess.Board) -> list[chess.Move]:
        """Moves that keep the outcome, quickest win or longest defence first where known.

        Only moves whose outcome is settled are given.
        """
        if not any(board.generate_legal_moves()):
            return []
        rated = []
        for move in board.legal_moves:
            child = board.copy(stack=False)
            child.push(move)
            low, high = self.interval(child)
            if low.points != high.points:
                continue
            rated.append((-high.value, self._order(board, move, child), move))
        if not rated:
            return []
        best = max(value for value, _, _ in rated)
        if best < self.interval(board)[0]:
            # The move that keeps the outcome leads to a slice that is not kept.
            return []
        return [m for v, o, m in sorted(rated, key=lambda r: r[1]) if v == best]

    def _order(self, board: chess.Board, move: chess.Move, child: chess.Board) -> tuple[int, str]:
        distance = self.distance(child)
        plies = abs(distance.plies) if distance is not None else 0
        if distance is not None and distance.plies == _MATE:
            plies = 0
        elif distance is not None and board.is_zeroing(move):
            plies = 1 if distance.plies else 0
        low, _ = self.interval(child)
        return (plies if low < 0 else -plies), move.uci()

    def line(self, board: chess.Board, plies: int = 40) -> list[chess.Move]:
        """Best play to the next capture, pawn move or mate; by the proof's way where no better.

        Empty unless one side wins. It ends before the zeroing move if the slices that such moves
        lead to are not kept.
        """
        work = board.copy(stack=False)
        moves: list[chess.Move] = []
        while len(moves) < plies:
            low, high = self.interval(work)
            if low != high or low == Outcome.DRAW:
                break
            chosen: tuple[tuple[int, bool, str], chess.Move] | None = None
            for move in work.legal_moves:
                zeroing = work.is_zeroing(move)
                child = work.copy(stack=False)
                child.push(move)
                if self.interval(child) != (-low, -low):
                    continue
                length = 0 if child.is_checkmate() or zeroing else self.bound(child)
                if length is None:
                    continue
                under = move.promotion not in (None, chess.QUEEN)
                order = (length if low > 0 else -length, under, move.uci())
                if chosen is None or order < chosen[0]:
                    chosen = order, move
            own = self.bound(work)
            if chosen is None or (low > 0 and own == 1 and chosen[0][0] != 0):
                break
            move = chosen[1]
            zeroing = work.is_zeroing(move)
            moves.append(move)
            work.push(move)
            if zeroing or work.is_checkmate():
                break
        return moves


def _between(
    own: tuple[int, int, int | None], other: tuple[int, int, int | None], board: chess.Board
) -> tuple[Outcome, Outcome]:
    """The interval from what the side to move wins (least, most) and what the other side wins.

    Raises:
        Contradiction: if both are said to win.
    """
    if own[0] and other[0]:
        raise Contradiction(
            board.fen(),
            ("the solver's sets for the side to move", "those for the other side"),
            (f"at least a {Outcome(own[0]).word}", f"at least a {Outcome(other[0]).word}"),
        )
    low = own[0] if own[0] else -other[1]
    high = -other[0] if other[0] else own[1]
    return Outcome(low), Outcome(high)


# --- what to try, in which order -------------------------------------------------------------

_CAPS: Final = ((1,), (2, 1), (2, 2, 1), (2, 2, 2, 1), (2,), (3, 2, 1), (3, 3, 2, 1), (3,), (4,))
_BUDGETS: Final = (0, 1, 2, 4)
_FREE: Final = len(_BUDGETS)
"""Place of the first scope without a limit on pawn moves (see ``_scopes``)."""
_FIRST_ALLOWANCE: Final = 1.0
_GROWTH: Final = 4.0
_PATIENCE: Final = 4.0
_LEAST_OVERRUN: Final = 2.0
"""Seconds that a step under way may take past the end of the time."""
_MOST_EXACT: Final = 20_000
"""Slices up to which everything is modelled at once."""
_FOR_MOVES: Final = 16.0
"""Seconds a step may take that settles moves only, not the positions themselves."""
_AT_ONCE: Final = 40.0
"""Seconds up to which few men are solved exactly before bounds are tried."""
_MOST_PATIENT: Final = 2000.0
"""Seconds of a step for few men from which everything is solved exactly instead."""
_PLANNED_THREADS: Final = 2
"""Threads for whose memory a plan must leave room, however many there will be."""


def exactly() -> Scope:
    """Everything that can arise; the lower bound is then the upper one too."""
    return Scope(LOWER, (4,), limit=_MOST_EXACT)


def _scopes(mode: int, limit: int) -> list[Scope]:
    """Scopes from the narrowest to the widest."""
    white, black = (QUEEN_ONLY, ALL_KINDS) if mode == LOWER else (ALL_KINDS, QUEEN_ONLY)
    base = Scope(mode, _CAPS[0], white, black, limit=limit)
    scopes = [replace(base, budget=b) for b in _BUDGETS]
    scopes += [replace(base, caps=caps) for caps in _CAPS]
    scopes.append(replace(base, caps=_CAPS[-1], white_promotions=ALL_KINDS,
                          black_promotions=ALL_KINDS))  # fmt: skip
    return scopes


class Solver:
    """Works on a set of boards until they are settled or the budget is spent."""

    def __init__(
        self,
        boards: Sequence[chess.Board],
        budget: Budget,
        *,
        store: Store | None = None,
        progress: Callable[[Progress], None] | None = None,
        folder: Path | None = None,
        moves_too: bool = False,
        sets: Sets | None = None,
        audit: Audit | None = None,
    ):
        self.audit = audit
        self.boards = [b for b in boards if can_solve(b)]
        self.budget = budget
        self.store = store
        self.progress = progress
        self.folder = folder
        self.moves_too = moves_too
        self.sets = Sets() if sets is None else sets
        self.interrupted = False
        self.cost = Cost()
        self.started = time.monotonic()
        self.deadline = self.started + budget.seconds
        self.spent = 0.0
        self.needed = {
            colour: self._keys_around(colour) for colour in chess.COLORS
        }
        self._still_open: dict[chess.Color, list[list[chess.Board]]] = {}
        self._plans: dict[tuple[chess.Color, Scope, tuple[int, ...]], Plan] = {}
        needed = [key for colour in chess.COLORS for key in sorted(self.needed[colour])]
        self._notes = _Notes(store, budget.memory, needed)
        self._at = ""
        self._saved: list[tuple[Key, bool]] = []
        self.unlimited = budget.planned and all(
            b.occupied.bit_count() <= budget.settled for b in self.boards
        )
        self.steps: list[Step] = []
        self.skipped: list[Step] = []
        self.timings: list[Any] = []

    def _keys_around(self, colour: chess.Color) -> set[Key]:
        """Slices of the boards and of all positions one move later."""
        keys = set()
        for board in self.boards:
            for child in positions_of(framed(board, colour)):
                keys.add(locate(child)[0])
                for reply in child.generate_legal_ep():
                    after = child.copy(stack=False)
                    after.push(reply)
                    keys.add(locate(after)[0])
        return keys

    def solution(self) -> Solution:
        """What is known so far."""
        self.cost.seconds = time.monotonic() - self.started
        return Solution(self.sets, self.cost)

    def run(self) -> Solution:
        """Do the work; on the user's interrupt what is proved so far is returned.

        Compiling the kernels, which the first use on a machine does, is not counted as time spent.

        Raises:
            NoRoom: the machine has neither the memory nor the disk that a step needs.
        """
        _compile()
        self.started = time.monotonic()
        self.deadline = self.started + self.budget.seconds
        with self._listening(), contextlib.suppress(Stopped):
            self._work()
        self._notes.keep()
        return self.solution()

    def _work(self) -> None:
        if self.unlimited:
            if not self._exactly(_AT_ONCE):
                self._by_bounds()
                # Whether a draw is one by the fifty-move rule alone is wanted too.
                known = [Solution(self.sets, self.cost).interval(b) for b in self.boards]
                if any(low != high for low, high in known):
                    self._exactly(math.inf)
        elif not self._exactly(min(0.5 * self._left(), max(20.0, 0.3 * self.budget.seconds))):
            self._by_bounds()

    def _left(self) -> float:
        if self.interrupted:
            return 0.0
        if self.unlimited:
            return math.inf
        if self.budget.planned:
            return self.budget.seconds - self.spent
        return self.deadline - time.monotonic()

    def _over(self) -> bool:
        if self.budget.planned:
            return self.interrupted
        overrun = max(_LEAST_OVERRUN, self.budget.seconds / 10)
        return self.interrupted or time.monotonic() > self.deadline + overrun

    @contextlib.contextmanager
    def _listening(self) -> Iterator[None]:
        """The user's first interrupt ends the work in good order, a second one at once.

        Being asked to end (SIGTERM, SIGHUP), where the program answers that, ends the work in
        good order too and is answered then. An exception in the middle of compiled code would not
        arrive as what it is.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        asked: list[tuple[int, FrameType | None]] = []

        def interrupt(_number: int, _frame: object) -> None:
            if self.interrupted:
                raise KeyboardInterrupt
            self.interrupted = True

        def end(number: int, frame: FrameType | None) -> None:
            self.interrupted = True
            asked.append((number, frame))

        before: dict[int, Any] = {}
        for name, answer in (("SIGINT", interrupt), ("SIGTERM", end), ("SIGHUP", end)):
            number = getattr(signal, name, None)
            # One that is ignored, or that nobody answers, is left alone.
            if number is not None and callable(signal.getsignal(number)):
                before[number] = signal.signal(number, answer)
        try:
            yield
        finally:
            for number, earlier in before.items():
                signal.signal(number, earlier)
            for number, frame in asked[:1]:
                before[number](number, frame)

    def _limit(self, seconds: float) -> int:
        """Slices that could at best be solved in so many seconds."""
        return int(min(3_000_000.0, 2_000 + 30_000 * max(0.0, min(seconds, self._left()))))

    def _exactly(self, most: float) -> bool:
        """Solve everything exactly if each colour takes at most so long; True if all is exact."""
        if not self.boards:
            return True
        scope = exactly()
        todo = []
        for colour in chess.COLORS:
            if all(self.sets.complete(key) for key in self.needed[colour]):
                continue
            parts = self._fitting(Step(colour, scope), self.boards, most)
            if parts is None:
                return False
            todo += [(Step(colour, scope), part) for part in parts]
        for step, part in todo:
            self._do(step, part)
        return all(
            self.sets.complete(key) for colour in chess.COLORS for key in self.needed[colour]
        )

    def _fitting(
        self, step: Step, boards: Sequence[chess.Board], most: float
    ) -> list[Sequence[chess.Board]] | None:
        """The boards, or parts of them one after the other where all at once take too much memory.

        None: one of them takes too much, or too long, or cannot be solved exactly at all.
        """
        estimate = self._estimate(step, boards)
        if estimate is not None and not estimate.complete:
            return None
        if estimate is not None and self._fits(estimate, most):
            return [boards]
        if not self.unlimited or len(boards) < 2 or most < math.inf:
            return None
        half = len(boards) // 2
        first = self._fitting(step, boards[:half], most)
        second = None if first is None else self._fitting(step, boards[half:], most)
        return None if first is None or second is None else [*first, *second]

    def _by_bounds(self) -> None:
        """Widen the scope of each question in turn, as far as a growing allowance permits."""
        allowance = _FIRST_ALLOWANCE
        most = _MOST_PATIENT if self.unlimited else self.budget.seconds
        reached: dict[tuple[chess.Color, int], int] = {}
        sizes: dict[tuple[chess.Color, int], int] = {}
        while self._left() > 0:
            waiting = False
            for question in self._questions():
                boards = self._open_boards(question[0])
                if not boards:
                    continue
                scopes = _scopes(question[1], self._limit(_PATIENCE * allowance))
                chosen: Step | None = None
                i = reached.get(question, -1) + 1
                if i < _FREE:
                    # A scope that lets both sides move all their pawns soon comes within reach:
                    # narrower ones would be wasted.
                    free = self._estimate(Step(question[0], scopes[_FREE]), boards)
                    seconds = self._seconds(free)
                    if allowance < seconds <= _PATIENCE * allowance:
                        waiting = True
                        continue
                    if seconds <= allowance:
                        i = _FREE
                while i < len(scopes):
                    step = Step(question[0], scopes[i])
                    estimate = self._estimate(step, boards)
                    if estimate is None or not self._fits(estimate, min(allowance, self._left())):
                        waiting = True
                        break
                    if estimate.slices != sizes.get(question):
                        chosen = step
                        sizes[question] = estimate.slices
                    reached[question] = i
                    i += 1
                if chosen is not None:
                    self._do(chosen, boards)
            if not waiting or allowance > most:
                return
            if allowance >= _FOR_MOVES and all(self._is_settled(b) for b in self.boards):
                return
            allowance *= _GROWTH

    def _questions(self) -> list[tuple[chess.Color, int]]:
        """Colour and mode, those first that are most likely to settle something."""
        balance = sum(
            worth * (len(b.pieces(t, True)) - len(b.pieces(t, False)))
            for b in self.boards[:1]
            for t, worth in _WORTH.items()
        )
        strong = balance >= 0
        if balance == 0:
            return [(True, UPPER), (False, UPPER), (True, LOWER), (False, LOWER)]
        return [(strong, LOWER), (not strong, UPPER), (strong, UPPER), (not strong, LOWER)]

    def _is_settled(self, board: chess.Board) -> bool:
        low, high = Solution(self.sets, self.cost).interval(board)
        return low.points == high.points

    def _open_boards(self, colour: chess.Color) -> list[chess.Board]:
        """Those of which it is open whether this colour wins them, or one of their moves.

        What is settled stays so.  Of a board it is enough to know one open position; only when
        that is settled are the others looked up, slice by slice.
        """
        still = self._still_open.get(colour)
        if still is None:
            still = self._still_open[colour] = [
                list(positions_of(b, self.moves_too)) for b in self.boards
            ]
        solution = Solution(self.sets, self.cost)
        doubtful = [i for i, found in enumerate(still)
                    if found and not solution.is_open(found[0], colour)]  # fmt: skip
        solution.gather(position for i in doubtful for position in still[i])
        for i in doubtful:
            still[i] = [one for one in still[i] if solution.is_open(one, colour)]
        return [board for board, found in zip(self.boards, still, strict=True) if found]

    def _prepare(self, step: Step, boards: Sequence[chess.Board]) -> Plan | None:
        """The plan for a step, None beyond the scope's limit or the memory; made once for each."""
        key = (step.colour, replace(step.scope, limit=0), tuple(id(b) for b in boards))
        known = self._plans.get(key)
        if known is not None:
            return known
        plan = self._make_plan(step, boards)
        self._plans = {k: p for k, p in self._plans.items() if k[0] != step.colour}
        if plan is not None:
            self._plans[key] = plan
        return plan

    def _make_plan(self, step: Step, boards: Sequence[chess.Board]) -> Plan | None:
        structures = expand(
            self._roots(step, boards),
            step.scope,
            room=self._memory,
            largest=most_blocks(self._memory + self.budget.disk, _PLANNED_THREADS),
        )
        if structures is None:
            return None
        keep = self._keep(step, structures)
        if self.audit is not None:
            keep, _ = self.audit.marks(structures, keep)
        return make_plan(structures, keep, self._memory)

    def _keep(self, step: Step, structures: Structures) -> Any:
        """What the question needs of each slice, as in ``make_plan``."""
        keep = np.zeros(len(structures), np.int64)
        sizes = sizes_of(structures)
        needed = self.needed[step.colour]
        for s, key in enumerate(keys_of(structures)):
            if key in needed:
                keep[s] = KEEP_START if sizes[s] <= LARGEST_WITH_DISTANCES else KEEP_RESULT
        return keep

    def _roots(self, step: Step, boards: Sequence[chess.Board]) -> list[Key]:
        return list(dict.fromkeys(locate(framed(b, step.colour))[0] for b in boards))

    def _estimate(self, step: Step, boards: Sequence[chess.Board]) -> Estimate | None:
        """What the step would take; None beyond the scope's limit.

        It is remembered in the store, since planning large steps takes seconds.
        """
        name = _step_name(step, self._roots(step, boards))
        found = self._notes.estimate(name, step.scope.limit)
        if found is _UNKNOWN:
            plan = self._prepare(step, boards)
            found = None if plan is None else _estimate(plan)
            self._notes.tell(name, step.scope.limit, found)
        assert found is None or isinstance(found, Estimate)
        return found

    def _fits(self, step: Estimate, seconds: float) -> bool:
        if step.bytes > self._memory + self.budget.disk:
            return False
        return self._counted(step.seconds) <= seconds

    def _counted(self, seconds: float) -> float:
        """What so many seconds of one core count in the budget's seconds."""
        return seconds if self.budget.planned else wall_seconds(seconds, self.budget.threads)

    def _seconds(self, step: Estimate | None) -> float:
        """Seconds of the budget; infinite where there is no plan or no room for it."""
        if step is None or not self._fits(step, math.inf):
            return math.inf
        return self._counted(step.seconds)

    def _do(self, step: Step, boards: Sequence[chess.Board]) -> None:
        """Read what the step would find from the store, or work it out.

        Either costs the same of the budget, so that the answers do not depend on the store.
        """
        name = _step_name(step, self._roots(step, boards))
        kept = self._notes.kept(name)
        if kept is None and self.store is not None:
            plan = self._prepare(step, boards)
            if plan is not None and plan.structures.complete.all():
                # Whoever has solved these slices exactly has found the same.
                needed = self.needed[step.colour]
                kept = [(key, True) for key in keys_of(plan.structures) if key in needed]
        if kept is not None and self._load(step, name, kept):
            estimate = self._estimate(step, boards)
            if self.budget.planned and estimate is not None:
                self.spent += estimate.seconds
            self.steps.append(step)
            self._notes.done(name, kept)
            return
        plan = self._prepare(step, boards)
        assert plan is not None
        self._at, self._saved = name, []
        self._execute(step, plan)
        if self.steps and self.steps[-1] is step:
            self._notes.done(name, self._saved)

    @property
    def _memory(self) -> int:
        """Bytes of memory for sets, those included that are kept to be audited."""
        return self.budget.memory + (0 if self.audit is None else self.audit.most_bytes)

    def _begin(self, plan: Plan) -> Run:
        """Set the memory of a step aside, or a file where the machine has not so much to spare.

        Raises:
            NoRoom: there is room for neither.
        """
        scratch = scratch_bytes(plan.largest)
        spare = to_spare(self.budget.share)
        allowed = self._memory + self.budget.disk - plan.pool_bytes
        threads = max(1, min(self.budget.threads, min(allowed, spare) // max(1, scratch)))
        memory = max(0, min(self._memory - _PLANNED_THREADS * scratch,
                            spare - threads * scratch))  # fmt: skip
        needed = plan.pool_bytes + scratch
        for real in dict.fromkeys((memory, 0)):
            folder = self.folder
            if plan.pool_bytes > real or scratch > spare:
                folder = spill_folder(folder, plan.pool_bytes, spare)
                if scratch > spare:
                    raise NoRoom(needed, spare, folder, "only a part of it can lie in a file")
            try:
                return Run(plan, threads=threads, memory=real, folder=folder)
            except OutOfMemory as error:
                reason = str(error)
        raise NoRoom(needed, spare, spill_folder(self.folder, 0, spare), reason)

    def _execute(self, step: Step, plan: Plan) -> None:
        run = self._begin(plan)
        begun = time.monotonic()
        self.spent += self._counted(plan.seconds)

        def report(done: int, share: float) -> None:
            if self.progress is not None:
                spent = time.monotonic() - begun
                left = spent * (1 - share) / share if share > 0.02 else wall_seconds(
                    plan.seconds, self.budget.threads
                )
                self.progress(
                    Progress(step.question, done, len(plan.structures), share,
                             time.monotonic() - self.started, left)
                )  # fmt: skip

        try:
            run.execute(stop=self._over, hurry=lambda: self.interrupted, report=report)
            self.steps.append(step)
            self.timings.append(
                (time.monotonic() - begun, plan.seconds, plan.pool_bytes, len(plan.structures))
            )
            needed = self.needed[step.colour]
            for s, key in enumerate(keys_of(plan.structures)):
                if key in needed:
                    kept = run.kept(s)
                    self.sets.add(step.scope.mode, key, kept)
                    self._save(step, key, kept)
            if self.audit is not None:
                structures = plan.structures
                self.audit.take(step, structures, self._keep(step, structures), run)
        except OutOfMemory:
            self.skipped.append(step)
        finally:
            self.cost.slices += run.done
            sizes = sizes_of(plan.structures)
            self.cost.positions += int(sizes[plan.order[: run.done]].sum()) * 8192
            self.cost.peak_bytes = max(self.cost.peak_bytes, plan.bytes(self.budget.threads))
            run.close()

    # The store holds one entry a slice and scope, and notes on what was planned and done.

    def _load(self, step: Step, name: str, kept: Iterable[tuple[Key, bool]]) -> bool:
        """Read the slices that the step would keep, just as it would; False if one is missing.

        Args:
            kept: the slices, and which of them are complete.
        """
        if self.store is None:
            return False
        found = []
        for key, complete in kept:
            if complete and self.sets.complete(key):
                continue
            one = _read(self.store, None if complete else _entry(step.scope, name), key)
            if one is None or one.complete != complete:
                return False
            found.append((key, one))
        for key, one in found:
            self.sets.add(step.scope.mode, key, one)
        self.cost.from_store += len(found)
        return True

    def _save(self, step: Step, key: Key, kept: Kept) -> None:
        self._saved.append((key, kept.complete))
        if self.store is not None:
            scope = None if kept.complete else _entry(step.scope, self._at)
            _write(self.store, scope, key, kept)


def _estimate(plan: Plan) -> Estimate:
    structures = plan.structures
    return Estimate(
        len(structures), plan.seconds, plan.bytes(_PLANNED_THREADS), bool(structures.complete.all())
    )


def _step_name(step: Step, roots: Sequence[Key]) -> str:
    """A step and the slices that it sets out from, as a short text."""
    scope = step.scope
    told = repr((step.colour, scope.mode, scope.caps, scope.white_promotions,
                 scope.black_promotions, scope.budget, list(roots)))  # fmt: skip
    return hashlib.blake2b(told.encode(), digest_size=12).hexdigest()


class _Unknown:
    """Nothing is noted."""


_UNKNOWN: Final = _Unknown()


class _Notes:
    """What is known from earlier runs about the steps of one question: their cost, what they kept.

    With them a run whose results are in the store decides as it would without a store, and plans
    nothing a second time. They hold for one state of the sources.
    """

    def __init__(self, store: Store | None, memory: int, needed: Iterable[Key]) -> None:
        self._store = store
        self._key = ""
        self._changed = False
        self._estimates: dict[str, list[Any]] = {}
        self._done: dict[str, list[tuple[Key, bool]]] = {}
        if store is None:
            return
        told = repr((source_digest(), memory, list(needed)))
        digest = hashlib.blake2b(told.encode(), digest_size=16).hexdigest()
        self._key = f"solver {SOLVER_VERSION} | notes | {digest}"
        entry = store.get(self._key)
        if entry is not None:
            with contextlib.suppress(ValueError, TypeError, KeyError):
                found = json.loads(entry.arrays["text"].tobytes())
                estimates = {str(k): [int(v[0]), float(v[1]), int(v[2]), bool(v[3])]
                             for k, v in found["estimates"].items()}  # fmt: skip
                done = {
                    str(k): [((int(a), int(b), int(c)), bool(d)) for a, b, c, d in v]
                    for k, v in found["done"].items()
                }
                self._estimates, self._done = estimates, done

    def estimate(self, name: str, limit: int) -> Estimate | _Unknown | None:
        """What a step takes; None if it has more slices than the limit, as far as is known."""
        found = self._estimates.get(name)
        if found is None:
            return _UNKNOWN
        slices, seconds, size, complete = found
        if slices > limit:
            return None
        return Estimate(slices, seconds, size, complete) if size else _UNKNOWN

    def tell(self, name: str, limit: int, estimate: Estimate | None) -> None:
        """Note what a step takes; None: it has more slices than the limit."""
        self._estimates[name] = (
            [limit + 1, 0.0, 0, False] if estimate is None
            else [estimate.slices, estimate.seconds, estimate.bytes, estimate.complete]
        )  # fmt: skip
        self._changed = True

    def kept(self, name: str) -> list[tuple[Key, bool]] | None:
        """The slices that a step has kept, and which of them are complete; None if unknown."""
        return self._done.get(name)

    def done(self, name: str, kept: list[tuple[Key, bool]]) -> None:
        """Note what a step has kept."""
        self._changed = self._changed or self._done.get(name) != kept
        self._done[name] = kept

    def keep(self) -> None:
        """Write the notes into the store."""
        if self._store is None or not self._changed:
            return
        text = json.dumps({
            "estimates": self._estimates,
            "done": {k: [[*key, whole] for key, whole in v] for k, v in self._done.items()},
        })  # fmt: skip
        self._store.put(self._key, {"text": np.frombuffer(text.encode(), np.uint8)}, {})
        self._changed = False


_compiled = False


def _compile() -> None:
    """Run everything once on the smallest ending, so that it is compiled or read from the cache."""
    global _compiled
    if _compiled:
        return
    _compiled = True
    board = chess.Board("8/8/8/4k3/8/4K3/4P3/8 w - - 0 1")
    solver = Solver([board], Budget(seconds=math.inf, threads=1))
    solver._by_bounds()
    solver._exactly(math.inf)
    Solution(solver.sets, solver.cost).distance(board)
    plan = solver._make_plan(Step(chess.WHITE, exactly()), [board])
    assert plan is not None
    run = Run(plan, threads=1, memory=plan.pool_bytes)
    run.compile_late()
    run.close()


def keys_of(structures: Structures) -> Iterator[Key]:
    """The key of every slice, in order."""
    shifts = np.array([1, 16, 256, 4096], np.int64)
    used = np.arange(4)[None, :] < structures.pieces[:, None]
    packed = (((structures.codes + 1) * shifts) * used).sum(axis=1)
    yield from zip(
        packed.tolist(), structures.white.tolist(), structures.black.tolist(), strict=True
    )


def _entry(scope: Scope, name: str) -> str:
    """Which bound it is that an entry of the store holds of a slice."""
    told = (
        f"{scope.mode} {scope.caps} {scope.white_promotions} {scope.black_promotions}"
        f" {scope.budget}"
    )
    # How many pawn moves are left in a slice depends on where one sets out.
    return told if scope.budget < 0 else f"{told} {name}"


def _store_key(bound: str | None, key: Key) -> str:
    """The key of an entry; None: the slice exactly."""
    name = "exact" if bound is None else bound
    return f"solver {SOLVER_VERSION} | {name} | {key[0]:x} {key[1]:x} {key[2]:x}"


def _read(store: Store, bound: str | None, key: Key) -> Kept | None:
    """What the store has of a slice; an entry that cannot be that is removed."""

    def fits(meta: Mapping[str, JSON], shapes: Mapping[str, Shape]) -> bool:
        return is_of_slice(key, meta, shapes)

    name = _store_key(bound, key)
    entry = store.get(name, fits)
    if entry is None:
        return None
    if not np.array_equal(entry.arrays["codes"], _codes_of(key)):
        store.discard(name)
        return None
    meta, arrays = entry.meta, entry.arrays
    return Kept(
        arrays["codes"],
        _pieces_of(key),
        _symmetric(key),
        key[1],
        key[2],
        arrays["candidates"],
        arrays["open"],
        arrays.get("late_candidates"),
        arrays.get("late_open"),
        bool(meta["complete"]),
        bool(meta["whole"]),
        bool(meta["slow_unknown"]),
        bool(meta["solved"]),
    )


def _pieces_of(key: Key) -> int:
    """Number of pieces other than kings and pawns in a slice."""
    return (key[0].bit_length() + 3) // 4


def _symmetric(key: Key) -> bool:
    """Is the first piece of a slice kept in the triangle of the board's eight symmetries?"""
    return _pieces_of(key) >= 2 and not key[1] and not key[2]


def _codes_of(key: Key) -> Any:
    """Piece codes of a slice, int64, shape (4,); 0 where there is no piece."""
    pieces = _pieces_of(key)
    return np.array([(key[0] >> 4 * d & 15) - 1 if d < pieces else 0 for d in range(4)], np.int64)


_CLAIMS: Final = ("complete", "whole", "slow_unknown")
"""What an entry of the store says of its own worth; see ``Kept``."""


def is_of_slice(key: Key, meta: Mapping[str, JSON], shapes: Mapping[str, Shape]) -> bool:
    """Can an entry of the store be what was kept of this slice?

    Compiled code trusts what it is given, so number of pieces, symmetry, size and type of every
    array must be those that follow from the slice itself.
    """
    blocks = int(kernels.blocks_of(_pieces_of(key), _symmetric(key)))
    sets = dict.fromkeys(("candidates", "open"), ("<u8", (blocks, 64)))
    late = dict.fromkeys(("late_candidates", "late_open"), ("<u8", (blocks, 64)))
    codes = {"codes": ("<i8", (4,))}
    facts = {
        "pieces": _pieces_of(key),
        "symmetric": _symmetric(key),
        "solved": blocks > LARGEST_WITH_DISTANCES,
    }
    return (
        dict(shapes) in ({**codes, **sets}, {**codes, **sets, **late})
        and meta.keys() == {*facts, *_CLAIMS}
        and all(type(meta[name]) is bool for name in _CLAIMS)
        and (not meta["complete"] or (meta["whole"] is True and not meta["slow_unknown"]))
        and all(type(meta[name]) is type(fact) and meta[name] == fact
                for name, fact in facts.items())
    )  # fmt: skip


def _write(store: Store, bound: str | None, key: Key, kept: Kept) -> None:
    """Keep a slice: exactly (``bound`` None) or as the bound that it is."""
    arrays: dict[str, Any] = {
        "codes": kept.codes,
        "candidates": kept.candidates,
        "open": kept.open,
    }
    if kept.late_candidates is not None and kept.late_open is not None:
        arrays |= {"late_candidates": kept.late_candidates, "late_open": kept.late_open}
    meta = {
        "pieces": kept.pieces,
        "symmetric": kept.symmetric,
        "complete": kept.complete,
        "whole": kept.whole,
        "slow_unknown": kept.slow_unknown,
        "solved": kept.solved,
    }
    store.put(_store_key(bound, key), arrays, meta)


def solve(
    board: chess.Board,
    budget: Budget = Budget(),
    *,
    also: Iterable[chess.Board] = (),
    store: Store | None = None,
    progress: Callable[[Progress], None] | None = None,
    moves_too: bool = False,
    folder: Path | None = None,
) -> Solution:
    """Find out what a position is worth, and those one legal move later.

    Everything is solved exactly where that is cheap. Otherwise bounds are proved, from the
    cheapest scope to the widest that the budget allows, until every board is settled.

    Args:
        board: the position asked about.
        budget: time and memory.
        also: more positions to answer; much of the work is shared if they come from one game.
        store: where results are kept for the next time.
        progress: called a few times a second.
        moves_too: go on until the moves of every board are settled as well.
        folder: where a file is made if the sets do not fit into memory.

    Positions that are not for the solver (castling rights, too many pieces) are left out; nothing
    is known about them then.
    """
    return Solver(
        [board, *also], budget, store=store, progress=progress, folder=folder, moves_too=moves_too
    ).run()


_ = (field, BLOCK_BYTES)
