"""The search as plain Python: boards in, frozen results out.

Effort is a number of positions looked at, never time, so the same call gives the same answer on
every machine. Compiled code is loaded when something is first asked for, and made before that if
this machine has never done so (``prepared`` tells).

Scores are hundredths of a pawn, for the side to move. ``MATE - n`` is mate at the n-th ply of the
line, ``EXACT - n`` a position at the n-th ply that is won by exact sets; below zero for what is
lost. Beyond ``SURE`` nothing is estimated; ``proving`` makes a proof of it.

Repetitions within the line, and the halfmove clock at 100, count as draws. What happened before
the board that is given does not count, but for its halfmove clock.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import chess
import numpy as np
import numpy.typing as npt

from convert.judging.search.terms import FULL_PHASE, FULL_SCALE, UNIT, Numbers, shipped

if TYPE_CHECKING:
    from convert.judging.search.sets import Leaves

__all__ = [
    "EXACT",
    "MATE",
    "POSITIONS",
    "SURE",
    "Coefficients",
    "EachMove",
    "Found",
    "Search",
    "code_folder",
    "prepared",
]

T = TypeVar("T")

MATE: Final = 31_000
EXACT: Final = 29_000
SURE: Final = 28_000
POSITIONS: Final = 20_000
"""Positions looked at for each position, unless said otherwise."""
MATE_MOVES: Final = 3
"""Mates in so many moves are looked for apart, where no sooner one was found."""
MATE_POSITIONS: Final = 100_000
"""Positions looked at for these at most, beside those of the search."""
_DEEPEST: Final = 60
_LEAST_BITS: Final = 12
_MOST_BITS: Final = 24
_HERE: Final = Path(__file__).resolve().parent
_TOPS: Final = (_HERE.parents[1], _HERE.parents[2] / "tablebases")
_lock = threading.Lock()


@dataclass(frozen=True)
class Found:
    """What a search found.

    Attributes:
        score: for the side to move, see above; -32000 if all moves were left out.
        line: the best line; empty where the game is over.
        depth: plies that were completed.
        positions: positions looked at.
    """

    score: int
    line: tuple[chess.Move, ...]
    depth: int
    positions: int

    @property
    def mate(self) -> int | None:
        """Moves to mate, of the side that mates; below zero if the side to move is mated."""
        plies = MATE - abs(self.score)
        if plies >= MATE - EXACT or plies < 0:
            return None
        moves = (plies + 1) // 2
        return moves if self.score > 0 else -moves

    @property
    def decided(self) -> int | None:
        """1 if the side to move wins, -1 if it loses, None if that is not known."""
        if abs(self.score) <= SURE or abs(self.score) > MATE:
            return None
        return 1 if self.score > 0 else -1


@dataclass(frozen=True)
class EachMove:
    """All moves of a position, searched to the same depth.

    Attributes:
        found: move -> what it is worth to the side that makes it, the move first in the line;
            best first, and in the order of their names where they are worth the same.
        depth: plies that were completed for all of them.
        positions: positions looked at, in all.
    """

    found: dict[chess.Move, Found]
    depth: int
    positions: int


@dataclass(frozen=True)
class Coefficients:
    """What the evaluation is made of, for many positions, all as White sees it.

    The value is ``counts @ pairs`` between its two columns by phase, times the scale of the side
    that this is good for (``Search.from_coefficients``).

    Attributes:
        counts: how often each of ``terms.NAMES`` is taken, White's less Black's; (n, names).
        phase: 24 with all pieces on the board, 0 with none; (n,).
        scales: places in ``terms.SCALES`` if White, if Black is ahead; (n, 2).
    """

    counts: npt.NDArray[np.int32]
    phase: npt.NDArray[np.int32]
    scales: npt.NDArray[np.int32]


class _Compiled:
    """The modules that hold compiled code, imported once."""

    folder: Path
    evaluation: Any
    kernel: Any
    leaves: Any
    forced: Any
    moves: Any
    sets: Any

    words: Any

    def __init__(self) -> None:
        self._four_men: Leaves | None = None
        import tablebases.solver  # noqa: F401  (its code has a folder of its own)
        from tablebases.solver.code import own_folder

        with own_folder(_HERE, _TOPS) as folder:
            from convert.judging.search import (
                evaluation,
                forced,
                kernel,
                leaves,
                moves,
                sets,
                words,
            )
        self.folder = folder
        self.evaluation, self.kernel, self.moves, self.sets = evaluation, kernel, moves, sets
        self.leaves, self.words, self.forced = leaves, words, forced

    def four_men(self, making: Callable[[], None] | None) -> Leaves:
        """The outcomes of three and four men, read once in a process: they take 50 MB."""
        with _lock:
            if self._four_men is None:
                self._four_men = self.sets.four_men(making=making)
            return self._four_men

    def later(self) -> None:
        """Compile what only ``coefficients`` needs."""
        with _lock:
            self.words.compile_later()


_loaded: list[_Compiled] = []


def _compiled() -> _Compiled:
    with _lock:
        if not _loaded:
            _loaded.append(_Compiled())
        return _loaded[0]


def prepared() -> bool:
    """Has the machine code of the search been made on this machine before?

    Nothing is compiled for the answer, but numba is imported.
    """
    import tablebases.solver  # noqa: F401
    from tablebases.solver import code

    if _loaded:
        return True
    return code.prepared(code_folder())


def code_folder() -> Path:
    """Where the machine code of the search lies; its name is a digest of what it is made from."""
    from tablebases.solver import code

    return code.folder_of(_HERE, _TOPS)


class _Worker:
    """One record, one table: what one thread works with."""

    def __init__(self, owner: Search, bits: int) -> None:
        self.code = _compiled()
        self.leaves = owner.leaves
        self.state = self.code.moves.new_state()
        self.code.evaluation.set_numbers(self.state, owner.numbers)
        self.state["men"] = self.leaves.men
        self.table = self.code.kernel.new_table(bits)
        self.line = np.zeros(self.code.moves.PLIES, np.int32)
        self.out = np.zeros(3, np.int64)

    def forget(self) -> None:
        """Empty the table."""
        self.table[:] = 0

    def put(self, board: chess.Board, barred: Iterable[chess.Move] = ()) -> None:
        """The board, with these moves left out."""
        self.code.moves.put_board(self.state, 0, board)
        moves = [
            m.from_square | m.to_square << 6 | ((m.promotion - 1) << 18 if m.promotion else 0)
            for m in barred
        ]
        self.state["barred"][: len(moves)] = moves
        self.state["bars"] = len(moves)

    def moves(self, numbers: Iterable[int]) -> tuple[chess.Move, ...]:
        """Moves as python-chess has them."""
        return tuple(self.code.moves.to_move(int(number)) for number in numbers)

    def search(
        self,
        board: chess.Board,
        positions: int,
        barred: Sequence[chess.Move] = (),
        deepest: int = _DEEPEST,
        *,
        mates: bool = True,
    ) -> Found:
        """Search a board to a depth or a number of positions; mates in few moves are added."""
        if not any(board.generate_legal_moves()):
            return Found(-MATE if board.is_check() else 0, (), 0, 1)
        self.put(board, barred)
        kernel = self.code.kernel
        depth = int(
            kernel.deepen(
                self.state,
                deepest,
                positions,
                self.table,
                self.leaves.heads,
                self.leaves.pool,
                self.line,
                self.out,
            )
        )
        score, length, looked = (int(x) for x in self.out)
        result = Found(score, self.moves(self.line[:length]), depth, looked)
        if barred or not mates or score >= MATE - 1:
            return result
        return self._with_mates(board, result)

    def _with_mates(self, board: chess.Board, result: Found) -> Found:
        """The same, or a mate in few moves that the search did not look for."""
        most = MATE_MOVES if result.mate is None or result.mate < 0 else result.mate - 1
        moves = self.mate_within(board, min(most, MATE_MOVES))
        looked = result.positions + int(self.state["nodes"])
        if moves:
            first = self.moves([self.state["line"][0, 0]])
            score, line = MATE - 2 * moves + 1, self._mating_line(board, first, moves)
            return Found(score, line, max(result.depth, 2 * moves - 1), looked)
        return Found(result.score, result.line, result.depth, looked)

    def mate_within(self, board: chess.Board, moves: int) -> int:
        """Moves of the quickest mate of the side to move, 0 if none was found."""
        if moves < 1:
            self.state["nodes"] = 0
            return 0
        self.put(board)
        return int(self.code.kernel.mate_within(self.state, moves, MATE_POSITIONS))

    def _mating_line(
        self, board: chess.Board, first: tuple[chess.Move, ...], moves: int
    ) -> tuple[chess.Move, ...]:
        """A mate's first move, then the answer that holds out longest, and so on."""
        board = board.copy(stack=False)
        board.push(first[0])
        longest: tuple[int, tuple[chess.Move, ...], chess.Move] | None = None
        for answer in sorted(board.legal_moves, key=chess.Move.uci):
            after = board.copy(stack=False)
            after.push(answer)
            left = self.mate_within(after, moves - 1)
            if longest is None or left > longest[0]:
                longest = left, self.moves([self.state["line"][0, 0]]), answer
        if longest is None:
            return first
        board.push(longest[2])
        return (*first, longest[2], *self._mating_line(board, longest[1], longest[0]))

    def each_move(self, board: chess.Board, positions: int, deepest: int) -> EachMove:
        """Each move to the same depth."""
        names = sorted(board.legal_moves, key=chess.Move.uci)
        if not names:
            return EachMove({}, 0, 1)
        self.put(board)
        lines = np.zeros((2 * len(names), self.code.moves.PLIES + 1), np.int32)
        out = np.zeros((len(names), 5), np.int32)
        depth = int(
            self.code.kernel.each_move(
                self.state,
                deepest,
                positions,
                self.table,
                self.leaves.heads,
                self.leaves.pool,
                lines,
                out,
            )
        )
        looked = int(self.state["nodes"])
        founds = []
        for i in range(len(names)):
            line = self.moves(lines[i, : out[i, 2]])
            founds.append(Found(int(out[i, 1]), line, depth, looked))
        founds.sort(key=lambda f: (-f.score, f.line[0].uci()))
        return EachMove({f.line[0]: f for f in founds}, depth, looked)


class Search:
    """A search with its numbers and its exact leaves.

    Args:
        numbers: of the evaluation; the shipped ones if None.
        leaves: exact sets; those of three and four men if None (``sets.four_men``), made on the
            first use on a machine. ``sets.nothing()`` for none.
        making: called before these are made.
    """

    def __init__(
        self,
        numbers: Numbers | None = None,
        leaves: Leaves | None = None,
        *,
        making: Callable[[], None] | None = None,
    ) -> None:
        self.numbers = shipped() if numbers is None else numbers
        self._leaves, self._making = leaves, making
        self._workers: dict[int, _Worker] = {}

    @cached_property
    def leaves(self) -> Leaves:
        """The exact sets."""
        if self._leaves is not None:
            return self._leaves
        return _compiled().four_men(self._making)

    @cached_property
    def _one(self) -> _Worker:
        """For what is asked of single positions and needs no table."""
        return _Worker(self, 0)

    def _empty(self, positions: int) -> _Worker:
        """With an empty table for so many positions. Used by one thread at a time."""
        bits = _bits(positions)
        if bits in self._workers:
            self._workers[bits].forget()
        else:
            self._workers[bits] = _Worker(self, bits)
        return self._workers[bits]

    def search(
        self,
        board: chess.Board,
        positions: int = POSITIONS,
        *,
        without: Sequence[chess.Move] = (),
        only: Sequence[chess.Move] | None = None,
        deepest: int = _DEEPEST,
    ) -> Found:
        """Search one position, with an empty table.

        Args:
            positions: positions looked at; the first ply is completed in any case.
            without: moves that are left out.
            only: the moves that are looked at; None for all.
            deepest: plies after which the search ends.

        Raises:
            ValueError: if the position is not legal, or ``positions`` is below 1.
        """
        _check([board], positions)
        barred = list(without)
        if only is not None:
            barred += [move for move in board.legal_moves if move not in only]
        return self._empty(positions).search(board, positions, barred, deepest)

    def moves(
        self, board: chess.Board, positions: int = POSITIONS, *, deepest: int = _DEEPEST
    ) -> EachMove:
        """Search all moves of a position, to the same depth, with ``positions`` in all.

        Raises:
            ValueError: as ``search``.
        """
        _check([board], positions)
        return self._empty(positions).each_move(board, positions, deepest)

    def many(
        self,
        boards: Sequence[chess.Board],
        positions: int = POSITIONS,
        *,
        threads: int = 1,
        mates: bool = True,
    ) -> list[Found]:
        """Search each of the boards as ``search`` does; the same for any number of threads.

        Without ``mates`` they are not looked for apart.

        Raises:
            ValueError: as ``search``, or if ``threads`` is below 1.
        """

        def ask(worker: _Worker, board: chess.Board) -> Found:
            return worker.search(board, positions, mates=mates)

        return self._shared(boards, positions, threads, ask)

    def moves_of_many(
        self, boards: Sequence[chess.Board], positions: int = POSITIONS, *, threads: int = 1
    ) -> list[EachMove]:
        """All moves of each of the boards, as ``moves`` does; the same for any number of threads.

        Raises:
            ValueError: as ``many``.
        """

        def ask(worker: _Worker, board: chess.Board) -> EachMove:
            return worker.each_move(board, positions, _DEEPEST)

        return self._shared(boards, positions, threads, ask)

    def _shared(
        self,
        boards: Sequence[chess.Board],
        positions: int,
        threads: int,
        ask: Callable[[_Worker, chess.Board], T],
    ) -> list[T]:
        """Ask of each board a worker with an empty table, on so many threads."""
        _check(boards, positions)
        if threads < 1:
            raise ValueError("at least one thread is needed")
        boards = list(boards)
        answers: dict[int, T] = {}
        waiting = iter(range(len(boards)))
        turn = threading.Lock()

        def work() -> None:
            worker = _Worker(self, _bits(positions))
            while True:
                with turn:
                    i = next(waiting, None)
                if i is None:
                    return
                worker.forget()
                answers[i] = ask(worker, boards[i])

        _ = self.leaves  # once, not by each thread
        with ThreadPoolExecutor(threads) as pool:
            for done in [pool.submit(work) for _ in range(min(threads, len(boards)))]:
                done.result()
        return [answers[i] for i in range(len(boards))]

    def backwards(self, boards: Sequence[chess.Board], positions: int = POSITIONS) -> list[Found]:
        """Search the positions of one game, the last first, and keep the table between them.

        What is known of the ending so reaches the positions that led there. Given in the order
        of the game, returned in the same order.

        Raises:
            ValueError: as ``search``.
        """
        _check(boards, positions)
        worker = self._empty(positions * min(max(len(boards), 1), 16))
        return [worker.search(board, positions) for board in reversed(boards)][::-1]

    def evaluation(self, board: chess.Board) -> int:
        """The value without a look ahead, hundredths of a pawn for the side to move."""
        worker = self._one
        worker.put(board)
        return int(worker.code.evaluation.evaluate(worker.state, 0))

    def coefficients(self, boards: Iterable[chess.Board]) -> Coefficients:
        """What the evaluation of each board is made of."""
        worker = self._one
        rows = []
        for board in boards:
            worker.put(board)
            rows.append(worker.state["pos"][0].copy())
        words = np.array(rows, np.uint64).reshape(len(rows), worker.code.moves.WIDTH)
        return self.coefficients_of(words)

    def coefficients_of(self, rows: npt.NDArray[np.uint64]) -> Coefficients:
        """As ``coefficients``, for rows as ``moves.put_board`` writes them; shape (n, 13)."""
        worker = self._one
        worker.code.later()
        out = np.zeros((len(rows), worker.code.evaluation.WIDTH_OF_TRACE), np.int32)
        worker.code.evaluation.trace_all(worker.state, np.ascontiguousarray(rows), out)
        return Coefficients(out[:, :-3], out[:, -3], out[:, -2:])

    def from_coefficients(self, made_of: Coefficients) -> npt.NDArray[np.int64]:
        """Values for White from what they are made of, hundredths of a pawn, rounded to zero.

        Equal to ``evaluation`` but where no mate is possible, which is 0, and its limit of 20000.
        """
        sums = made_of.counts.astype(np.int64) @ self.numbers.pairs.astype(np.int64)
        phase = made_of.phase.astype(np.int64)
        value = sums[:, 0] * phase + sums[:, 1] * (FULL_PHASE - phase)
        place = np.where(value > 0, made_of.scales[:, 0], made_of.scales[:, 1])
        value = value * self.numbers.scales[place]
        share = np.abs(value) // (FULL_PHASE * FULL_SCALE * UNIT)
        result: npt.NDArray[np.int64] = np.sign(value) * share
        return result


def _bits(positions: int) -> int:
    """Rows of a table, as a power of 2: twice the positions."""
    return min(max((2 * positions - 1).bit_length(), _LEAST_BITS), _MOST_BITS)


def _check(boards: Iterable[chess.Board], positions: int) -> None:
    if positions < 1:
        raise ValueError("at least one position must be looked at")
    for board in boards:
        if not board.is_valid() or board.chess960:
            raise ValueError(f"not a legal position of standard chess: {board.fen()}")
