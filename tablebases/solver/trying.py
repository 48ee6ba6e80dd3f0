"""What to try in which order: ``solve`` a position, then ask the ``Solution`` about it."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import chess
import numpy as np

from tablebases.solver.budget import Budget, Cost, Progress
from tablebases.solver.code import prepared
from tablebases.solver.entries import (
    LARGEST_WITH_DISTANCES,
    bound_name,
    read_slice,
    store_key,
    write_slice,
)
from tablebases.solver.interrupts import listening
from tablebases.solver.notes import UNKNOWN, Estimate, Notes, step_name
from tablebases.solver.plan import (
    KEEP_RESULT,
    KEEP_START,
    PRICES,
    Plan,
    make_plan,
    most_blocks,
    seconds_of,
    sizes_of,
    wall_seconds,
)
from tablebases.solver.room import PLANNED_THREADS, begin_run
from tablebases.solver.run import Kept, OutOfMemory, Run, Stopped
from tablebases.solver.scopes import (
    Guess,
    Likely,
    ProofQuestion,
    SolveStep,
    exactly,
    questions_by_chances,
    questions_by_men,
    scopes_of,
)
from tablebases.solver.sets import Key, Sets, can_solve, framed, locate, places_of, positions_of
from tablebases.solver.solution import Solution
from tablebases.solver.store import Store
from tablebases.solver.structures import Scope, Structures, TooLong, expand

if TYPE_CHECKING:
    from tablebases.solver.audit import Audit

_FIRST_ALLOWANCE: Final = 1.0
_GROWTH: Final = 4.0
_LEAST_OVERRUN: Final = 2.0
"""Seconds that a step under way may take past the end of the time."""
_AT_ONCE: Final = 25.0
"""Seconds up to which few men are solved exactly before bounds are tried."""
_MOST_PATIENT: Final = 2000.0
"""Seconds of a step for few men from which everything is solved exactly instead."""


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
        likely: Guess | None = None,
    ):
        self.audit = audit
        self.likely = likely
        self._chances: list[Likely] | None = None
        self.boards = [b for b in boards if can_solve(b)]
        self._pieces = any(b.occupied & ~b.kings & ~b.pawns for b in self.boards)
        self.budget = budget
        self.store = store
        self.progress = progress
        self.folder = folder
        self.moves_too = moves_too
        self.sets = Sets(threads=budget.threads) if sets is None else sets
        self.interrupted = False
        self.cost = Cost()
        self.started = time.monotonic()
        self.deadline = self.started + budget.seconds
        self.spent = 0.0
        self.needed = {colour: self._keys_around(colour) for colour in chess.COLORS}
        self._still_open: dict[chess.Color, list[list[chess.Board]]] = {}
        self._plans: dict[tuple[chess.Color, Scope, tuple[int, ...]], Plan] = {}
        needed = [key for colour in chess.COLORS for key in sorted(self.needed[colour])]
        self._notes = Notes(store, budget.memory, needed)
        self._beyond: dict[str, int] = {}
        self._at = ""
        self._saved: list[tuple[Key, bool]] = []
        self.unlimited = budget.planned and all(
            b.occupied.bit_count() <= budget.settled for b in self.boards
        )
        self.steps: list[SolveStep] = []
        self.skipped: list[SolveStep] = []
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
        self.started = time.monotonic()
        self.deadline = self.started + self.budget.seconds
        if not (self.budget.planned and prepared()):
            self._make_ready()  # here, where an interrupt ends it
        with self._listening(), contextlib.suppress(Stopped):
            self._work()
        self._notes.keep()
        return self.solution()

    def _make_ready(self) -> None:
        """Have the kernels, which is counted as no time; only what is planned needs them."""
        begun = time.monotonic()
        _compile()
        taken = time.monotonic() - begun
        self.started += taken
        self.deadline += taken

    def _work(self) -> None:
        at_once = self.budget.at_once
        if self.unlimited:
            if not self._exactly(_AT_ONCE if at_once is None else at_once):
                self._by_bounds()
                if not all(map(self._is_settled, self.boards)):
                    self._exactly(math.inf)
                elif any(low != high for low, high in map(self.solution().interval, self.boards)):
                    # Is a draw one by the fifty-move rule alone?
                    self._exactly(self.budget.seconds)
        else:
            if at_once is None:
                at_once = max(12.0, 0.2 * self.budget.seconds)
            if not self._exactly(min(0.5 * self._left(), at_once)):
                self._by_bounds()

    def _left(self) -> float:
        if self.interrupted:
            return 0.0
        if self.unlimited:
            return math.inf
        if self.budget.planned:
            return self.budget.seconds - self.spent
        return self.deadline - time.monotonic()

    def _at_most(self, left: float) -> float:
        """Seconds on the clock that this step, with so many left, and all others may take."""
        after = max(0.0, self._left())
        if not self.budget.planned:
            return max(left, after)
        return left + wall_seconds(after, self.budget.threads)

    def _over(self) -> bool:
        if self.budget.planned:
            return self.interrupted
        overrun = max(_LEAST_OVERRUN, self.budget.seconds / 10)
        return self.interrupted or time.monotonic() > self.deadline + overrun

    def _listening(self) -> contextlib.AbstractContextManager[None]:
        """The user's first interrupt ends the work in good order (``interrupts``)."""

        def stop() -> bool:
            before, self.interrupted = self.interrupted, True
            return before

        return listening(stop)

    def _limit(self, seconds: float) -> int:
        """Slices to list for so many seconds of work: listing is to take a small part of them."""
        return int(min(3_000_000.0, 2_000 + 15_000 * max(0.0, min(seconds, self._left()))))

    def _exactly(self, most: float) -> bool:
        """Solve everything exactly if each colour takes at most so long; True if all is exact."""
        if not self.boards:
            return True
        scope = exactly()
        todo = []
        for colour in chess.COLORS:
            if all(self.sets.complete(key) for key in self.needed[colour]):
                continue
            parts = self._fitting(SolveStep(colour, scope), self.boards, most)
            if parts is None:
                return False
            todo += [(SolveStep(colour, scope), part) for part in parts]
        for step, part in todo:
            self._do(step, part)
        return all(
            self.sets.complete(key) for colour in chess.COLORS for key in self.needed[colour]
        )

    def _fitting(
        self, step: SolveStep, boards: Sequence[chess.Board], most: float
    ) -> list[Sequence[chess.Board]] | None:
        """The boards, or parts of them one after the other where all at once take too much memory.

        None: one of them takes too much, or too long, or cannot be solved exactly at all.
        """
        estimate = self._estimate(step, boards, most)
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
                asked = question.colour, question.mode
                boards = self._open_boards(question.colour)
                if not boards or allowance > question.most:
                    continue
                if allowance > self.budget.for_moves and all(map(self._is_settled, self.boards)):
                    return
                # What takes longer than this is not done now, so it is not listed to its end.
                seconds = min(allowance, self._left())
                work = seconds / self._counted(1.0)
                scopes = scopes_of(question.mode, self._limit(seconds), work, pieces=self._pieces)
                chosen: SolveStep | None = None
                i = reached.get(asked, -1) + 1
                while i < len(scopes):
                    step = SolveStep(question.colour, scopes[i])
                    estimate = self._estimate(step, boards, seconds)
                    if estimate is None or not self._fits(estimate, seconds):
                        waiting = True
                        break
                    if estimate.slices != sizes.get(asked):
                        chosen = step
                        sizes[asked] = estimate.slices
                    reached[asked] = i
                    i += 1
                if chosen is not None:
                    self._do(chosen, boards)
            if not waiting or allowance > most:
                return
            if allowance >= self.budget.for_moves and all(map(self._is_settled, self.boards)):
                return
            allowance *= _GROWTH

    def _questions(self) -> list[ProofQuestion]:
        """What to ask, those questions first that are most likely to settle something."""
        if self.likely is None:
            return questions_by_men(self.boards)
        if self._chances is None:
            self._chances = list(self.likely(self.boards))
        open_ = [i for i, board in enumerate(self.boards) if not self._is_settled(board)]
        chances = [self._chances[i] for i in open_] or self._chances
        asked = questions_by_chances(chances)
        return [replace(one, most=math.inf) for one in asked] if self.unlimited else asked

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
        solution.gather(found[0] for found in still if found)
        doubtful = [
            i for i, found in enumerate(still) if found and not solution.is_open(found[0], colour)
        ]
        solution.gather(position for i in doubtful for position in still[i])
        for i in doubtful:
            still[i] = [one for one in still[i] if solution.is_open(one, colour)]
        return [board for board, found in zip(self.boards, still, strict=True) if found]

    def _prepare(
        self, step: SolveStep, boards: Sequence[chess.Board], most: float = math.inf
    ) -> Plan | Estimate | None:
        """The plan for a step, None beyond the scope's limit or the memory; made once for each.

        An estimate without bytes where it would take more than ``most`` seconds.
        """
        key = (step.colour, replace(step.scope, limit=0, seconds=0.0), tuple(id(b) for b in boards))
        known = self._plans.get(key)
        if known is not None:
            return known
        plan = self._make_plan(step, boards, most)
        if isinstance(plan, Estimate):
            return plan
        self._plans = {k: p for k, p in self._plans.items() if k[0] != step.colour}
        if plan is not None:
            self._plans[key] = plan
        return plan

    def _make_plan(
        self, step: SolveStep, boards: Sequence[chess.Board], most: float = math.inf
    ) -> Plan | Estimate | None:
        self._make_ready()
        try:
            structures = expand(
                self._roots(step, boards),
                step.scope,
                room=self._memory,
                largest=most_blocks(self._memory + self.budget.disk, PLANNED_THREADS),
                prices=PRICES,
            )
        except TooLong as more:
            return Estimate(more.slices, more.seconds, 0, complete=False)
        if structures is None:
            return None
        seconds = float(seconds_of(structures).sum())
        if self._counted(seconds) > most:
            # To find places for so many slices would take seconds too.
            whole = bool(structures.complete.all())
            return Estimate(len(structures), seconds, 0, whole)
        keep = self._keep(step, structures)
        if self.audit is not None:
            keep, _ = self.audit.marks(structures, keep)
        return make_plan(structures, keep, self._memory)

    def _keep(self, step: SolveStep, structures: Structures) -> Any:
        """What the question needs of each slice, as in ``make_plan``."""
        keep = np.zeros(len(structures), np.int64)
        sizes = sizes_of(structures)
        for s, _ in places_of(structures, self.needed[step.colour]):
            keep[s] = KEEP_START if sizes[s] <= LARGEST_WITH_DISTANCES else KEEP_RESULT
        return keep

    def _roots(self, step: SolveStep, boards: Sequence[chess.Board]) -> list[Key]:
        return list(dict.fromkeys(locate(framed(b, step.colour))[0] for b in boards))

    def _estimate(
        self, step: SolveStep, boards: Sequence[chess.Board], most: float = math.inf
    ) -> Estimate | None:
        """What the step would take; None beyond the scope's limit.

        It is remembered in the store, since planning large steps takes seconds. What takes more
        than ``most`` seconds is not planned: its bytes are not known.
        """
        name = step_name(step, self._roots(step, boards))
        if step.scope.limit < 2 * self._beyond.get(name, 0):
            return None  # not listed again for so little more
        found = self._notes.estimate(
            name, step.scope.limit, lambda seconds: self._counted(seconds) > most
        )
        if found is UNKNOWN:
            plan = self._prepare(step, boards, most)
            found = Estimate.of(plan) if isinstance(plan, Plan) else plan
            self._notes.tell(name, step.scope.limit, found)
        if found is None:
            self._beyond[name] = step.scope.limit
        assert found is None or isinstance(found, Estimate)
        return found

    def _fits(self, step: Estimate, seconds: float) -> bool:
        if step.bytes > self._memory + self.budget.disk:
            return False
        return self._counted(step.seconds) <= seconds

    def _counted(self, seconds: float) -> float:
        """What so many seconds of one core count in the budget's seconds."""
        return seconds if self.budget.planned else wall_seconds(seconds, self.budget.threads)

    def _do(self, step: SolveStep, boards: Sequence[chess.Board]) -> None:
        """Read what the step would find from the store, or work it out.

        Either costs the same of the budget, so that the answers do not depend on the store.
        """
        name = step_name(step, self._roots(step, boards))
        kept = self._notes.kept(name)
        if kept is None and self.store is not None:
            plan = self._prepare(step, boards)
            if isinstance(plan, Plan) and plan.structures.complete.all():
                # Whoever has solved these slices exactly has found the same.
                found = places_of(plan.structures, self.needed[step.colour])
                kept = [(key, True) for _, key in found]
        if kept is not None and self._load(step, name, kept):
            estimate = self._estimate(step, boards)
            if self.budget.planned and estimate is not None:
                self.spent += estimate.seconds
            self.steps.append(step)
            self._notes.done(name, kept)
            return
        plan = self._prepare(step, boards)
        assert isinstance(plan, Plan)
        self._at, self._saved = name, []
        self._execute(step, plan)
        if self.steps and self.steps[-1] is step:
            self._notes.done(name, self._saved)

    @property
    def _memory(self) -> int:
        """Bytes of memory for sets, those included that are kept to be audited."""
        return self.budget.memory + (0 if self.audit is None else self.audit.most_bytes)

    def _execute(self, step: SolveStep, plan: Plan) -> None:
        run = begin_run(plan, self.budget, self._memory, self.folder)
        begun = time.monotonic()
        self.spent += self._counted(plan.seconds)

        def report(done: int, share: float) -> None:
            if self.progress is not None:
                spent = time.monotonic() - begun
                left = (
                    spent * (1 - share) / share
                    if share > 0.02
                    else wall_seconds(plan.seconds, self.budget.threads)
                )
                self.progress(
                    Progress(
                        step.question,
                        done,
                        len(plan.structures),
                        share,
                        time.monotonic() - self.started,
                        left,
                        self._at_most(left),
                    )
                )

        try:
            run.execute(stop=self._over, hurry=lambda: self.interrupted, report=report)
            self.steps.append(step)
            self.timings.append(
                (time.monotonic() - begun, plan.seconds, plan.pool_bytes, len(plan.structures))
            )
            for s, key in places_of(plan.structures, self.needed[step.colour]):
                self._save(step, key, run.kept(s))
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

    def _load(self, step: SolveStep, name: str, kept: Iterable[tuple[Key, bool]]) -> bool:
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
            one = read_slice(self.store, bound_name(step.scope, name, complete=complete), key)
            if one is None or one.complete != complete:
                return False
            found.append((key, one))
        for key, one in found:
            bound = bound_name(step.scope, name, complete=one.complete)
            self.sets.add(step.scope.mode, key, one, store_key(bound, key))
        self.cost.from_store += len(found)
        return True

    def _save(self, step: SolveStep, key: Key, kept: Kept) -> None:
        bound = bound_name(step.scope, self._at, complete=kept.complete)
        self.sets.add(step.scope.mode, key, kept, store_key(bound, key))
        self._saved.append((key, kept.complete))
        if self.store is not None:
            write_slice(self.store, bound, key, kept)


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
    plan = solver._make_plan(SolveStep(chess.WHITE, exactly()), [board])
    assert isinstance(plan, Plan)
    run = Run(plan, threads=1, memory=plan.pool_bytes)
    run.compile_late()
    run.close()


_USUAL: Final = Budget()


def solve(
    board: chess.Board,
    budget: Budget = _USUAL,
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
