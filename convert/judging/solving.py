"""The solver as a judge: what it is asked, when, and how much work it may do.

Solving takes seconds, so nothing is solved by the way: ``prepare`` is told all the positions of a
game (or one position and its variants) beforehand and works through them from the last material
to the first; ``judge`` then answers from what is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

import chess

from convert.judging.effort import threads_of
from convert.model import Evidence, Side, Verdict
from tablebases.material import material_name
from tablebases.values import Outcome

if TYPE_CHECKING:
    from tablebases.solver import Progress, Solution, Store
    from tablebases.solver.scopes import Guess
    from tablebases.solver.sets import Sets


@dataclass(frozen=True)
class Reach:
    """Which positions are given to the solver, and what it may spend.

    Attributes:
        men: most men in all whatever they are.
        pawns: most pawns a side with kings and pawns alone.
        one_piece: most men in all with one piece a side beside kings and pawns.
        seconds: planned work for the positions of one material, in seconds of one core;
            ``total`` for a position.
        game: the same two for the review of a game; None where they are the same.
        memory: bytes that the sets of one step may take.
        settled: endings of at most so many men are settled whatever it takes.
        at_once: planned seconds up to which the positions of a game are solved exactly before
            bounds are tried; None as ``Budget`` says, and so for positions by themselves.
        for_moves: planned seconds that a step may take which settles only moves of a game that
            were not made; where the move made let something go it may take ``for_better``.
    """

    men: int
    pawns: int
    one_piece: int
    seconds: float
    total: float
    memory: int
    settled: int = 5
    game: tuple[float, float] | None = None
    at_once: float | None = None
    for_moves: float = 16.0
    for_better: float = 16.0


MOST_OPENED = 600 * 2**20
"""Bytes of memory for open slices, and no more than a quarter of what the solver may have."""

REACHES: dict[str, Reach] = {
    "quick": Reach(6, 2, 6, 7.0, 20.0, 2**30, settled=0),
    "normal": Reach(
        *(6, 4, 8, 75.0, 200.0, 3 * 2**30),
        game=(10.0, 20.0),
        at_once=2.0,
        for_moves=1.0,
        for_better=8.0,
    ),
    "deep": Reach(7, 4, 10, 1500.0, 3000.0, 8 * 2**30),
}


def in_reach(board: chess.Board, reach: Reach) -> bool:
    """Is the position given to the solver at all?"""
    men = board.occupied.bit_count()
    pieces = board.occupied & ~board.kings & ~board.pawns
    white = (pieces & board.occupied_co[chess.WHITE]).bit_count()
    black = (pieces & board.occupied_co[chess.BLACK]).bit_count()
    if board.castling_rights or white + black > 4:
        return False
    if men <= reach.men:
        return True
    if not pieces:
        most = max((board.pawns & board.occupied_co[colour]).bit_count() for colour in chess.COLORS)
        return most <= reach.pawns
    return white <= 1 and black <= 1 and men <= reach.one_piece


class SolverJudge:
    """Answers from positions solved beforehand.

    Args:
        reach: what may be asked, and what it may cost.
        known: True for positions that stronger judges answer.
        open_store: opens the place where results are kept for the next time; called when the
            first position is solved.
        tell: called with what is being proved while the solver works.
        share: number of processes that share the machine's memory.

    Attributes:
        remembers: what is looked up in the slices of a game is kept on disk by ``keep``, so that
            they need not be opened when it is reviewed again.
        seconds: planned work done so far, in seconds of one core; it does not depend on the
            machine. ``clock`` is the time that it took.
        stopped: the user has stopped it.
    """

    name = "solver"

    def __init__(
        self,
        reach: Reach,
        known: Callable[[chess.Board], bool],
        *,
        open_store: Callable[[], Store] | None = None,
        threads: int = 2,
        tell: Callable[[Progress], None] | None = None,
        share: int = 1,
    ):
        self.reach = reach
        self.known = known
        self.open_store = open_store
        self.threads = threads
        self.tell = tell
        self.share = share
        self.remembers = False
        self._game = ""
        self.seconds = 0.0
        self.clock = 0.0
        self.stopped = False
        self._store: Store | None = None
        self._sets: Sets | None = None
        self._solution: Solution | None = None

    @property
    def held_bytes(self) -> int:
        """Bytes of solved slices held in memory."""
        return 0 if self._sets is None else self._sets.packed_bytes + self._sets.opened_bytes

    def close(self) -> None:
        """Let go of slices that are open; they stay in memory, packed."""
        if self._sets is not None:
            self._sets.close()

    def forget(self) -> None:
        """Let go of what is held in memory; what the store keeps is found there again."""
        self._sets = self._solution = None
        self._game = ""

    def keep(self) -> None:
        """Keep what was looked up for the game that was prepared last."""
        if not self._game or self._sets is None or self._store is None:
            return
        from tablebases.solver.notes import write_answers

        known, before = self._sets.answers(), self._sets.remembered
        if sum(map(len, known.values())) > sum(len(before.get(name, ())) for name in known):
            write_answers(self._store, self._game, known)

    def prepare(
        self,
        boards: Iterable[chess.Board],
        *,
        moves_too: bool = True,
        at_once: float | None = None,
        for_moves: float | None = None,
        seconds: float | None = None,
        total: float | None = None,
        likely: Guess | None = None,
    ) -> None:
        """Solve what is in reach, material by material, the last first.

        Args:
            boards: positions in the order of the game.
            moves_too: settle each legal move as well, as far as the work allowed goes.
            at_once, for_moves: as in ``Budget``; None as it says.
            seconds, total: planned work for one material, and in all; None as the reach says.
            likely: the chances of White and of Black to win, guessed; they decide which proofs
                are tried first and which hardly at all.  None: by the men.

        Raises:
            NoRoom: the machine has neither the memory nor the disk that a step needs.
        """
        groups: dict[str, list[chess.Board]] = {}
        for board in boards:
            if in_reach(board, self.reach) and board.is_valid() and not self.known(board):
                bare = board.copy(stack=False)
                bare.halfmove_clock = 0
                groups.setdefault(material_name(board), []).append(bare)
        if not groups or self.stopped:
            return
        from tablebases.solver import Budget
        from tablebases.solver.sets import positions_of
        from tablebases.solver.solution import Solution
        from tablebases.solver.trying import Solver

        if self._sets is None:
            self._sets = self._open_sets()
        left = self.reach.total if total is None else total
        most = self.reach.seconds if seconds is None else seconds
        for group in reversed(groups.values()):
            free = group[0].occupied.bit_count() <= self.reach.settled
            if left <= 0.5 and not free:
                continue
            budget = Budget(
                min(most, left),
                self.reach.memory,
                threads=self.threads,
                settled=self.reach.settled,
                share=self.share,
                at_once=at_once,
            )
            if for_moves is not None:
                budget = replace(budget, for_moves=for_moves)
            solver = Solver(
                group,
                budget,
                store=self._store,
                progress=None if self.tell is None else self._telling(max(0.0, left - most)),
                moves_too=moves_too,
                sets=self._sets,
                likely=likely,
            )
            solution = solver.run()
            self.stopped = self.stopped or solver.interrupted
            left -= 0.0 if free else solver.spent
            self.seconds += solver.spent
            self.clock += solution.cost.seconds
            self._solution = Solution(self._sets, solution.cost)
            if self.stopped:
                break
        if self._solution is not None:
            self._solution.gather(
                position
                for group in groups.values()
                for board in group
                for position in positions_of(board, moves_too)
            )

    def _open_sets(self) -> Sets:
        """The store, if there is to be one, and sets with what it remembers of the game."""
        from tablebases.solver.notes import read_answers
        from tablebases.solver.sets import Sets

        if self._store is None and self.open_store is not None:
            self._store = self.open_store()
        sets = Sets(min(MOST_OPENED, self.reach.memory // 4), self.threads)
        if self._game and self._store is not None:
            sets.remembered = read_answers(self._store, self._game)
        return sets

    def _telling(self, after: float) -> Callable[[Progress], None]:
        """Tells of a material's steps, with what all that is still to come may take at most.

        Args:
            after: planned seconds that may be spent on the materials after this one.
        """
        from tablebases.solver.plan import wall_seconds

        tell = self.tell
        assert tell is not None

        def hear(progress: Progress) -> None:
            most = progress.most + wall_seconds(after, self.threads)
            tell(replace(progress, most=most))

        return hear

    def prepare_game(
        self,
        boards: Sequence[chess.Board],
        let_go: Callable[[chess.Board, chess.Board], bool],
        likely: Guess | None = None,
    ) -> None:
        """Solve for the review of one game: its positions, then the moves that a report names.

        Most moves are known with the positions, since they lead to slices that these need. Work
        of their own they get where the move made let something go: there the better ones are told.

        Args:
            boards: positions in the order of the game, each one move after the one before.
            let_go: with all that is known now, was something let go between two positions?
            likely: as in :meth:`prepare`.

        Raises:
            NoRoom: as :meth:`prepare`.
        """
        if self.remembers and self._sets is None:
            self._game = "\n".join(board.fen() for board in boards)
        before = self.seconds
        reach = self.reach
        each, total = reach.game or (reach.seconds, reach.total)
        prepare = partial(self.prepare, at_once=reach.at_once, seconds=each, likely=likely)
        prepare(boards, for_moves=reach.for_moves, total=total)
        if self.seconds == before or reach.for_better <= reach.for_moves:
            return
        slips = [board for board, after in pairwise(boards) if let_go(board, after)]
        left = max(0.0, total - (self.seconds - before))
        earlier = self._solution
        prepare(slips, for_moves=reach.for_better, total=left)
        if earlier is not None and self._solution is not None:
            self._solution.remember(earlier)

    def judge(self, board: chess.Board) -> Verdict | None:
        """What was proved of the position, for the side to move."""
        if self._solution is None or not in_reach(board, self.reach):
            return None
        answer = self._solution.answer(board)
        if answer is None or (answer.low, answer.high) == (Outcome.LOSS, Outcome.WIN):
            return None
        distance = answer.distance
        return Verdict(
            Side.of(board.turn),
            answer.low,
            answer.high,
            Evidence.SOLVED if answer.low.points == answer.high.points else Evidence.BOUNDED,
            distance=abs(distance.plies) if distance and distance.plies else None,
        )

    def distance(self, board: chess.Board) -> int | None:
        """Plies to the next zeroing move or mate with best play; None unless known exactly."""
        if self._solution is None or not self._solution.covers(board):
            return None
        result = self._solution.distance(board)
        return None if result is None else abs(result.plies)

    def way(self, board: chess.Board) -> int | None:
        """Plies in which the proof forces the next zeroing move or mate; None if there is none."""
        if self._solution is None or not self._solution.covers(board):
            return None
        return self._solution.bound(board)


def solver_for(
    effort: str,
    known: Callable[[chess.Board], bool],
    *,
    tell: Callable[[Progress], None] | None = None,
    keep: bool = True,
    share: int = 1,
) -> SolverJudge:
    """The solver with the reach of an effort and the user's store.

    Args:
        effort: quick, normal or deep.
        known: True for positions that stronger judges answer.
        tell: called with what is being proved while the solver works.
        keep: keep results in the user's store.
        share: number of processes that share the machine's memory and processors.
    """

    def open_store() -> Store:
        from tablebases.solver import Store

        return Store()

    return SolverJudge(
        REACHES[effort],
        known,
        open_store=open_store if keep else None,
        threads=threads_of(share),
        tell=tell,
        share=share,
    )
