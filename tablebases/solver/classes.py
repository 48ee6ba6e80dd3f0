"""Whole classes of material, solved exactly: every placement of the men of "KRPvKN".

All pawn structures of the class are worked on together, for both sides' wins, with nothing left
out, so every answer is exact. Of two structures that are left-right mirror images only one is
kept. With pawns on both sides the slices that an en passant capture leads to are kept as well.

Only *sources* are given to the search for slices: structures in which no pawn could have come from
the square behind it. All other structures of the class follow from these by steps of one square.
"""

from __future__ import annotations

import itertools
import math
import os
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import chess
import numpy as np
import numpy.typing as npt
from chess import KING

from tablebases.errors import TablebaseError
from tablebases.material import is_material_name, men
from tablebases.solver import kernels
from tablebases.solver.bare import four_numbers, sixty_four_words
from tablebases.solver.budget import Budget, Cost, Progress
from tablebases.solver.entries import LARGEST_WITH_DISTANCES, read_slice, store_key, write_slice
from tablebases.solver.geometry import IMAGE, TRIANGLE_SQUARES
from tablebases.solver.kernels import ZERO, U, _jit, has, legal_block, squares_of, valid_blocks
from tablebases.solver.plan import (
    KEEP_RESULT,
    KEEP_START,
    Plan,
    least_bytes,
    make_plan,
    most_blocks,
    scratch_bytes,
    sizes_of,
    wall_seconds,
)
from tablebases.solver.results import Distances, OpenDistances, Packed
from tablebases.solver.run import Kept, OutOfMemory, Run, Stopped
from tablebases.solver.scopes import SolveStep
from tablebases.solver.sets import Key, Sets, keys_of, mirrored
from tablebases.solver.solution import Solution
from tablebases.solver.store import Store
from tablebases.solver.structures import LOWER, Scope, expand
from tablebases.values import Outcome

__all__ = [
    "CLASS_BUDGET",
    "MOST_CLASS_MEN",
    "ClassSolution",
    "TooLarge",
    "Unfinished",
    "canonical",
    "class_keys",
    "has_exact",
    "read_exact",
    "solve_class",
    "stored",
]

Array = npt.NDArray[Any]

CLASS_BUDGET: Final = Budget(seconds=math.inf, planned=False)
"""What a class may take unless said otherwise: any time, and the usual memory."""

MOST_CLASS_MEN: Final = 6
"""Men of the largest classes: all pawns may become pieces, and a slice holds four."""

_SCOPE: Final = Scope(LOWER, (4,), limit=4_000_000)
_MOST_ROOTS: Final = 500
_FOR_PLANS: Final = 4
"""The part of the memory, one in so many, that plans may take which wait for their turn."""
_CODES: Final = {"N": 0, "B": 1, "R": 2, "Q": 3}
_SYMBOLS: Final = "NBRQ"
_PAWN_SQUARES: Final = tuple(range(8, 56))
_LATE: Final = kernels.LAST_TRUE_PLY


class TooLarge(TablebaseError):
    """A class needs more memory than is allowed.

    Attributes:
        name: the class.
        needed: bytes that it would take; None if it cannot be solved with any memory.
        allowed: bytes allowed, in memory and on disk together.
        reason: what else is in the way, a phrase; None if ``needed`` says it.
        at_least: it may take more than ``needed``.
    """

    def __init__(
        self,
        name: str,
        needed: int | None,
        allowed: int,
        reason: str | None = None,
        *,
        at_least: bool = False,
    ) -> None:
        super().__init__(name, needed, allowed, reason)
        self.name = name
        self.needed = needed
        self.allowed = allowed
        self.reason = reason
        self.at_least = at_least

    def __str__(self) -> str:
        if self.needed is None or self.reason is not None:
            return f"{self.name}: {self.reason or 'too large for the solver'}"
        least = "at least " if self.at_least else ""
        return (
            f"{self.name} would take {least}{self.needed / 10**9:.2f} GB of memory; "
            f"{self.allowed / 10**9:.3g} GB are allowed"
        )


class Unfinished(TablebaseError):
    """The time was up before the class was solved; what was complete is in the store.

    Attributes:
        name: the class.
        seconds: time spent.
    """

    def __init__(self, name: str, seconds: float) -> None:
        super().__init__(name, seconds)
        self.name = name
        self.seconds = seconds

    def __str__(self) -> str:
        return f"{self.name} was not finished in {self.seconds:.0f} seconds"


# --- which slices ----------------------------------------------------------------------------


def canonical(key: Key) -> Key:
    """Of a slice and its left-right mirror image the one with the smaller numbers."""
    return min(key, mirrored(key))


def _packed(name: str, colour: chess.Color) -> int:
    """The pieces of a class, as packed codes, seen by ``colour`` as White."""
    white, black = name.split("v")
    own, other = (white, black) if colour else (black, white)
    codes = sorted(
        2 * _CODES[letter] + side
        for side, letters in enumerate((own, other))
        for letter in letters
        if letter in _CODES
    )
    packed = 0
    for code in reversed(codes):
        packed = (packed << 4) | (code + 1)
    return packed


def _pawn_counts(name: str, colour: chess.Color) -> tuple[int, int]:
    white, black = (side.count("P") for side in name.split("v"))
    return (white, black) if colour else (black, white)


def _structures(white: int, black: int) -> Iterator[tuple[int, int]]:
    """All pawn structures with so many pawns, one of each two mirror images."""
    for own in itertools.combinations(_PAWN_SQUARES, white):
        own_word = sum(1 << s for s in own)
        flipped = chess.flip_horizontal(own_word)
        if own_word > flipped:
            continue
        free = [s for s in _PAWN_SQUARES if not own_word >> s & 1]
        for other in itertools.combinations(free, black):
            other_word = sum(1 << s for s in other)
            if own_word == flipped and other_word > chess.flip_horizontal(other_word):
                continue
            yield own_word, other_word


def _is_source(white: int, black: int) -> bool:
    """Is no square behind a pawn free for it to have come from?"""
    occupied = white | black
    behind_white = (white >> 8) & ~chess.BB_RANK_1
    behind_black = (black << 8) & ~chess.BB_RANK_8
    return not (behind_white | behind_black) & ~occupied


def _after_en_passant(white: int, black: int) -> Iterator[tuple[int, int]]:
    """Pawn structures after an en passant capture that could be possible in this one."""
    empty = ~(white | black)
    for side, own, other, rank, back in ((0, white, black, 3, -8), (1, black, white, 4, 8)):
        for file in range(8):
            at = 8 * rank + file
            if not own >> at & 1 or not empty >> (at + back) & empty >> (at + 2 * back) & 1:
                continue
            for beside in (file - 1, file + 1):
                taker = 8 * rank + beside
                if 0 <= beside < 8 and other >> taker & 1:
                    left = own & ~(1 << at)
                    moved = other & ~(1 << taker) | 1 << (at + back)
                    yield (left, moved) if side == 0 else (moved, left)


def class_keys(name: str, colour: chess.Color) -> tuple[list[Key], list[Key]]:
    """The slices of a class, seen by ``colour`` as White, one of each two mirror images.

    Returns:
        Those of the class itself, and those that an en passant capture from it leads to.

    Raises:
        ValueError: if ``name`` is not a material name.
    """
    if not is_material_name(name):
        raise ValueError(f"not a material name: {name!r}")
    packed = _packed(name, colour)
    own = [(packed, w, b) for w, b in _structures(*_pawn_counts(name, colour))]
    after = {canonical((packed, w2, b2)) for _, w, b in own for w2, b2 in _after_en_passant(w, b)}
    return own, sorted(after)


def _find(sets: Sets, key: Key) -> Packed | None:
    """The exact set of the slice or of its mirror image."""
    for wanted in (key, mirrored(key)):
        for packed in sets.kept.get((LOWER, wanted), ()):
            if packed.complete:
                return packed
    return None


# --- the answers -----------------------------------------------------------------------------

# What ``_tally`` counts, weighted.
_W_LEGAL: Final = 0
_W_WON: Final = 1
_W_LATE: Final = 2
_B_LEGAL: Final = 3
_B_LOST: Final = 4
_B_LATE: Final = 5
_ZUGZWANG: Final = 6
_ZUGZWANG_ON_DIAGONALS: Final = 7
_COUNTERS: Final = 8
# Symmetries of ``geometry.IMAGE``.
_LONG_DIAGONAL: Final = 4
_OTHER_DIAGONAL: Final = 7


@_jit
def _fixed(g, k, codes, squares, wk, bk):
    """Does a symmetry of the board leave the position as it is?"""
    if IMAGE[g, wk] != wk or IMAGE[g, bk] != bk:
        return False
    for d in range(k):
        found = False
        for e in range(k):
            if codes[e] == codes[d] and squares[e] == IMAGE[g, squares[d]]:
                found = True
        if not found:
            return False
    return True


@_jit
def _tally(k, symmetric, codes, wp, bp, white, black, none, weights, blocks, count, out):
    """Count the legal positions of a slice by value; returns the longest win, White to move."""
    squares = four_numbers()
    white_legal = sixty_four_words()
    black_legal = sixty_four_words()
    longest = 0
    for b in range(count):
        block = blocks[b]
        squares_of(block, k, symmetric, squares)
        legal_block(squares, k, codes, wp, bp, white_legal, black_legal)
        weight = weights[block >> (6 * (k - 1))] if symmetric else 1
        for bk in range(64):
            if white_legal[bk] | black_legal[bk] == ZERO:
                continue
            for wk in range(64):
                white_moves = has(white_legal[bk], wk)
                plies = white[block, bk, wk]
                if white_moves:
                    out[_W_LEGAL] += weight
                    if plies > 0:
                        out[_W_WON if plies <= _LATE else _W_LATE] += weight
                        longest = max(longest, plies)
                if not has(black_legal[bk], wk):
                    continue
                out[_B_LEGAL] += weight
                lost = black[block, bk, wk]
                if lost == none:
                    continue
                out[_B_LOST if lost <= _LATE else _B_LATE] += weight
                if white_moves and plies == 0:
                    out[_ZUGZWANG] += weight
                    if wp | bp == ZERO:
                        for g in (_LONG_DIAGONAL, _OTHER_DIAGONAL):
                            if _fixed(g, k, codes, squares, wk, bk):
                                out[_ZUGZWANG_ON_DIAGONALS] += weight
    return longest


_WEIGHTS: Final = np.array([4 if s % 9 == 0 else 8 for s in TRIANGLE_SQUARES], np.int64)
"""Squares of the board for which one of the triangle stands."""


@dataclass(frozen=True)
class _Tally:
    """Whole-board numbers of one question; ``_W_LEGAL`` and so on. ``longest`` in plies."""

    numbers: tuple[int, ...]
    longest: int
    where: tuple[Kept, Array] | None


class ClassSolution(Solution):
    """A solved class: answers for all its positions, whichever colour has which men.

    ``best_moves`` and ``line`` judge only moves that stay within what is kept: a capture or
    promotion out of the class is not among them unless the class was solved with ``around``.

    Attributes:
        name: the class as asked for; "White" below is the first side of the name.
    """

    def __init__(self, name: str, sets: Sets, cost: Cost):
        super().__init__(sets, cost)
        self.name = name
        self._tallies: dict[chess.Color, _Tally] = {}

    def slices(self, colour: chess.Color) -> Iterator[tuple[int, Kept, Distances]]:
        """The slices of the class itself, for the question whether ``colour`` wins.

        Of two mirror images one is given.

        Yields:
            For how many slices it stands (2, or 1 if it is its own mirror image); the slice as
            ``colour`` sees it (that side is White), without its sets; its distances.

        """
        for key in class_keys(self.name, colour)[0]:
            packed = _find(self._sets, key)
            assert packed is not None
            opened = self._sets.opened(packed)
            assert isinstance(opened, OpenDistances)
            yield (2 if mirrored(key) != key else 1), packed.kept, opened.distances()

    def longest(self) -> tuple[int, str]:
        """The longest win with White to move, by DTZ.

        Returns:
            Plies to the next zeroing move or mate (more than 100 for a win that the fifty-move
            rule turns into a draw), and such a position; (0, "") if White never wins.
        """
        tally = self._tally_of(chess.WHITE)
        if tally.where is None:
            return 0, ""
        kept, white = tally.where
        boards = (_board(kept, *(int(x) for x in at)) for at in np.argwhere(white == tally.longest))
        first = next(boards)
        # Some placements are legal but for a check that no move can have given.
        valid = (board for board in itertools.chain([first], boards) if board.is_valid())
        return tally.longest, next(valid, first).fen()

    def counts(self, turn: chess.Color) -> dict[Outcome, int]:
        """Legal positions of the whole board with ``turn`` to move, by outcome for that side.

        Mirror images count each, men of one kind and colour are not told apart. A position is
        legal if no two men share a square, pawns stand on the second to seventh rank and the
        side not to move is not in check. En passant and castling are left out; the clock is 0.
        """
        own = self._tally_of(turn).numbers
        other = self._tally_of(not turn).numbers
        total = own[_W_LEGAL]
        assert total == other[_B_LEGAL]
        decided = own[_W_WON] + own[_W_LATE] + other[_B_LOST] + other[_B_LATE]
        return {
            Outcome.WIN: own[_W_WON],
            Outcome.CURSED_WIN: own[_W_LATE],
            Outcome.DRAW: total - decided,
            Outcome.BLESSED_LOSS: other[_B_LATE],
            Outcome.LOSS: other[_B_LOST],
        }

    @property
    def positions(self) -> int:
        """Legal positions in all, both sides to move, as ``counts`` has them."""
        return sum(sum(self.counts(turn).values()) for turn in chess.COLORS)

    def mutual_zugzwangs(self) -> int:
        """Placements in which Black to move loses and White to move does not win.

        Neither king is in check. Mirror images count once: left and right in a class with
        pawns, all eight of the board in one without. The fifty-move rule is left out. (J.
        Beasley, Chess: positions of reciprocal zugzwang with not more than six men, 2010.)
        """
        numbers = self._tally_of(chess.WHITE).numbers
        if "P" in self.name:
            # No king stands on the mirror's line, so every placement has a twin.
            return numbers[_ZUGZWANG] // 2
        # Orbits by the lemma of Cauchy and Frobenius: only the two diagonals fix a placement.
        return (numbers[_ZUGZWANG] + numbers[_ZUGZWANG_ON_DIAGONALS]) // 8

    def best_moves(self, board: chess.Board) -> list[chess.Move]:
        """Moves that keep the outcome, quickest win or longest defence first.

        Moves to positions that are not kept are left out; the list is empty if only such moves
        keep the outcome.
        """
        moves = super().best_moves(board)
        if not moves or not self.covers(board):
            return moves
        child = board.copy(stack=False)
        child.push(moves[0])
        low, _ = self.interval(board)
        return moves if -self.interval(child)[1] >= low else []

    def _tally_of(self, colour: chess.Color) -> _Tally:
        if colour not in self._tallies:
            self._tallies[colour] = self._count(colour)
        return self._tallies[colour]

    def _count(self, colour: chess.Color) -> _Tally:
        total = np.zeros(_COUNTERS, np.int64)
        longest, where = 0, None  # type: int, tuple[Kept, Array] | None
        same = 1
        for twins, kept, distances in self.slices(colour):
            codes = Counter(kept.codes[: kept.pieces].tolist())
            same = math.prod(math.factorial(n) for n in codes.values())
            out = np.zeros(_COUNTERS, np.int64)
            size = len(distances.white)
            blocks = np.empty(size, np.int64)
            wp, bp = U(kept.white), U(kept.black)
            count = valid_blocks(kept.pieces, kept.symmetric, wp | bp, blocks)
            most = int(
                _tally(
                    kept.pieces,
                    kept.symmetric,
                    kept.codes,
                    wp,
                    bp,
                    distances.white,
                    distances.black,
                    distances.none,
                    _WEIGHTS,
                    blocks,
                    count,
                    out,
                )
            )
            total += out * twins
            if most > longest:
                longest, where = most, (kept, distances.white)
        return _Tally(tuple(int(x) // same for x in total), longest, where)


def _board(kept: Kept, block: int, bk: int, wk: int) -> chess.Board:
    """The position at a place of a slice, White to move."""
    squares = np.zeros(4, np.int64)
    squares_of(block, kept.pieces, kept.symmetric, squares)
    board = chess.Board(None)
    board.set_piece_at(wk, chess.Piece(KING, chess.WHITE))
    board.set_piece_at(bk, chess.Piece(KING, chess.BLACK))
    for code, square in zip(kept.codes[: kept.pieces].tolist(), squares.tolist(), strict=False):
        piece = chess.Piece.from_symbol(_SYMBOLS[code >> 1])
        piece.color = not code & 1
        board.set_piece_at(square, piece)
    for colour, word in ((chess.WHITE, kept.white), (chess.BLACK, kept.black)):
        for square in chess.scan_forward(word):
            board.set_piece_at(square, chess.Piece(chess.PAWN, colour))
    return board


# --- solving ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Task:
    """A plan for some sources of a class, and the slices that are kept of it."""

    colour: chess.Color
    plan: Plan
    chosen: dict[Key, int]

    @property
    def own_bytes(self) -> int:
        """Bytes that it takes in memory, about."""
        return self.plan.own_bytes + 300 * len(self.chosen)


@dataclass(frozen=True)
class _Turn:
    """Sources whose plan was found to fit.

    Attributes:
        colour: whose wins.
        wanted: slices to keep.
        sources: where the plan begins.
        task: the plan; None where it is made again when its turn comes, to save memory.
    """

    colour: chess.Color
    wanted: set[Key]
    sources: list[Key]
    task: _Task | None


def least_for(name: str, threads: int) -> int:
    """Bytes that a class takes at least, whatever the order of the work.

    All its pawns may be promoted, one after the other, and the largest slice on the way must be
    in memory whole.
    """
    pieces = sum(letter in _CODES for letter in name)
    pawns = name.count("P")
    blocks = (
        int(kernels.blocks_of(pieces + done, pieces + done >= 2 and done == pawns))
        for done in range(pawns + 1)
        if pieces + done <= kernels.MOST_PIECES
    )
    return least_bytes(max(blocks), threads)


class _Maker:
    """Solves the questions of a class, group by group of its sources."""

    def __init__(
        self,
        name: str,
        budget: Budget,
        store: Store | None,
        progress: Callable[[Progress], None] | None,
        folder: Path | None,
        around: bool,
        fresh: bool,
    ):
        self.name = name
        self.budget = budget
        self.store = store
        self.progress = progress
        self.folder = folder
        self.around = around
        self.fresh = fresh
        self.sets = Sets()
        self.cost = Cost()
        self.waiting = 0  # bytes of the plans that wait for their turn
        self.started = time.monotonic()

    def solve(self) -> ClassSolution:
        turns: list[_Turn] = []
        for colour in chess.COLORS:
            own, after = class_keys(self.name, colour)
            wanted = {*own, *after}
            if self.around or self.fresh or not self._load(wanted):
                bare = not any(self.name.split("v")[0 if colour else 1][1:])
                # Nothing is opened beyond a slice in which White has only his king.
                sources = [key for key in own if bare or _is_source(key[1], key[2])]
                for at in range(0, len(sources), _MOST_ROOTS):
                    turns += self._turns(colour, wanted, sources[at : at + _MOST_ROOTS])
        # Everything is planned before anything is solved: what is too large is refused at once.
        turns.reverse()
        while turns:
            self._take(turns.pop())
        self.cost.seconds = time.monotonic() - self.started
        return ClassSolution(self.name, self.sets, self.cost)

    def _take(self, turn: _Turn) -> None:
        """Solve what a plan was made for."""
        task = turn.task or self._task(turn.colour, turn.wanted, turn.sources)
        assert task is not None
        self._execute(task)

    def _load(self, wanted: Iterable[Key]) -> bool:
        """Take all slices from the store; False if one is missing."""
        if self.store is None:
            return False
        found: list[tuple[Key, Kept]] = []
        for key in wanted:
            for name in dict.fromkeys((key, mirrored(key))):
                kept = read_exact(self.store, name)
                if kept is not None:
                    found.append((name, kept))
                    break
            else:
                return False
        for key, kept in found:
            self.sets.add(LOWER, key, kept)
        self.cost.from_store += len(found)
        return True

    def _turns(self, colour: chess.Color, wanted: set[Key], sources: list[Key]) -> Iterator[_Turn]:
        """Plans for these sources, cut in two where one would take too much memory.

        Raises:
            TooLarge: if a single source does.
        """
        task = self._task(colour, wanted, sources)
        allowed = self.budget.memory + self.budget.disk
        needed = None
        if task is not None:
            needed = task.plan.bytes(self.budget.threads)
            if needed <= allowed:
                kept = self.waiting + task.own_bytes <= self.budget.memory // _FOR_PLANS
                self.waiting += task.own_bytes if kept else 0
                yield _Turn(colour, wanted, sources, task if kept else None)
                return
            del task  # or it would stay in memory beside those of its halves
        if len(sources) == 1:
            reason = (
                f"too many slices to plan within {self.budget.memory / 10**9:.3g} GB of memory"
                if needed is None
                else None
            )
            raise TooLarge(self.name, needed, allowed, reason)
        half = len(sources) // 2
        for part in (sources[:half], sources[half:]):
            yield from self._turns(colour, wanted, part)

    def _task(self, colour: chess.Color, wanted: set[Key], sources: list[Key]) -> _Task | None:
        budget = self.budget
        structures = expand(
            sources,
            _SCOPE,
            room=budget.memory,
            largest=most_blocks(budget.memory + budget.disk, budget.threads),
        )
        if structures is None:
            return None
        keys = list(keys_of(structures))
        # One of two mirror images, that with the smaller numbers if both are there.
        chosen: dict[Key, int] = {}
        for s, key in enumerate(keys):
            name = canonical(key)
            if name in wanted and (name not in chosen or key == name):
                chosen[name] = s
        if self.around:
            for s in list(chosen.values()):
                rows = structures.rows[structures.first[s] : structures.last[s]]
                for child in rows[:, kernels.ROW_CHILD].tolist():
                    if child >= 0:
                        chosen.setdefault(canonical(keys[child]), child)
        sizes = sizes_of(structures)
        keep = np.zeros(len(structures), np.int64)
        for s in chosen.values():
            keep[s] = KEEP_START if sizes[s] <= LARGEST_WITH_DISTANCES else KEEP_RESULT
        plan = make_plan(structures, keep, self.budget.memory)
        return _Task(colour, plan, {keys[s]: s for s in chosen.values()})

    def _execute(self, task: _Task) -> None:
        """Solve the slices of a task; what is kept goes into the sets and the store.

        Raises:
            Unfinished: if the time is up.
            TooLarge: if more memory was needed than was planned.
        """
        plan, threads = task.plan, self.budget.threads
        question = SolveStep(task.colour, _SCOPE).question
        begun = time.monotonic()
        estimate = wall_seconds(plan.seconds, threads)

        def report(done: int, share: float) -> None:
            if self.progress is not None:
                share = min(share, 1.0)  # a sum of rounded parts
                spent = time.monotonic() - begun
                left = spent * (1 - share) / share if share > 0.02 else estimate
                passed = time.monotonic() - self.started
                self.progress(Progress(question, done, len(plan.structures), share, passed, left))

        spare = self.budget.memory - threads * scratch_bytes(plan.largest)
        run = None
        try:
            run = Run(plan, threads=threads, memory=max(0, spare), folder=self.folder)
            run.execute(
                stop=lambda: time.monotonic() > self.started + self.budget.seconds, report=report
            )
            for key, s in task.chosen.items():
                if _find(self.sets, key) is not None:
                    continue
                kept = run.kept(s)
                self.sets.add(LOWER, key, kept)
                if self.store is not None:
                    write_slice(self.store, None, key, kept)
        except Stopped as error:
            raise Unfinished(self.name, time.monotonic() - self.started) from error
        except OutOfMemory as error:
            allowed = self.budget.memory + self.budget.disk
            raise TooLarge(self.name, None, allowed, str(error)) from error
        finally:
            self.cost.peak_bytes = max(self.cost.peak_bytes, plan.bytes(threads))
            if run is not None:
                self.cost.slices += run.done
                done = plan.order[: run.done]
                self.cost.positions += int(sizes_of(plan.structures)[done].sum()) * 8192
                run.close()


def _room(store: Store, key: Key) -> int:
    """Bytes that a slice takes in the store, 0 if it is not there."""
    try:
        return -(-os.stat(store._path(store_key(None, key))).st_size // 4096) * 4096
    except OSError:
        return 0


def stored(name: str, store: Store) -> tuple[int, bool]:
    """What a store has of a class.

    Returns:
        Bytes on disk, each file counted in blocks of 4096; whether no slice is missing.

    Raises:
        ValueError: if ``name`` is not a material name.
    """
    total, complete = 0, True
    for colour in chess.COLORS:
        for key in itertools.chain(*class_keys(name, colour)):
            sizes = [_room(store, k) for k in dict.fromkeys((key, mirrored(key)))]
            total += sum(sizes)
            complete = complete and any(sizes)
    return total, complete


def has_exact(store: Store, key: Key) -> bool:
    """Does the store have the exact set of this very slice? Only the head is looked at."""
    return store_key(None, key) in store


def read_exact(store: Store, key: Key) -> Kept | None:
    """The exact set of a slice, if the store has it."""
    if not has_exact(store, key):
        return None
    kept = read_slice(store, None, key)
    return kept if kept is not None and kept.complete else None


def solve_class(
    name: str,
    budget: Budget = CLASS_BUDGET,
    *,
    store: Store | None = None,
    progress: Callable[[Progress], None] | None = None,
    folder: Path | None = None,
    around: bool = False,
    fresh: bool = False,
) -> ClassSolution:
    """Solve a whole class of material, exactly and for both colours.

    Args:
        name: e.g. "KRPvKN"; either side may come first, the order of the men is free.
        budget: time on the clock and memory; nothing is returned when the time is up. The
            slices that are kept, compressed, come on top of the memory.
        store: where the slices are kept, each group of them as soon as it is solved; what it
            has of the class already is read, not solved again.
        progress: called a few times a second.
        folder: where a file is made if the sets do not fit into memory (``budget.disk``).
        around: keep as well what a capture or promotion out of the class leads to, so that all
            moves can be judged. Takes more memory; the store is not read then.
        fresh: do not read the store either, only write to it.

    Raises:
        ValueError: if ``name`` is not a material name.
        TooLarge: before any work, if the memory does not suffice or the class has too many men.
        Unfinished: if the time was not enough; complete groups are in the store.
        KeyboardInterrupt: likewise.
    """
    if not is_material_name(name):
        raise ValueError(f"not a material name: {name!r}")
    allowed = budget.memory + budget.disk
    if men(name) > MOST_CLASS_MEN:
        reason = f"{men(name)} men; whole classes are solved up to {MOST_CLASS_MEN}"
        raise TooLarge(name, None, allowed, reason)
    pieces = sum(letter in _CODES for letter in name)
    if pieces > 3 or (pieces == 3 and "P" in name):
        raise TooLarge(name, None, allowed, f"too many pieces for a whole class ({pieces})")
    least = least_for(name, budget.threads)
    if least > allowed:
        raise TooLarge(name, least, allowed, at_least=True)
    return _Maker(name, budget, store, progress, folder, around, fresh).solve()
