"""Carries out a plan: batches of slices on a few threads, in one pool of memory."""

from __future__ import annotations

import heapq
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from tablebases.solver import kernels
from tablebases.solver.plan import BLOCK_BYTES, Plan, seconds_of, sizes_of
from tablebases.solver.structures import spread_incomplete

Array = npt.NDArray[Any]

LAST_PLY: Final = kernels.LAST_TRUE_PLY
"""Quiet moves are gone through up to this ply; what takes longer is no win under the rule."""
_LARGE_SECONDS: Final = 0.5
_LAST_BATCH: Final = 2.0
"""Seconds that an interrupt waits for the batches under way."""
_MOST_SPARE: Final = 8 * 2**30
"""Bytes of address space, at most, for sets that differ without the fifty-move rule."""


@dataclass(frozen=True)
class Kept:
    """What is kept of one slice.

    Of a slice of ordinary size these are its sets before the first quiet move, from which all
    else follows (``results.replay``); of a large one the solved sets themselves.

    Attributes:
        codes: piece codes, int64, shape (4,).
        pieces: number of pieces other than kings and pawns.
        symmetric: whether the first piece is kept in the triangle.
        white, black: pawns as words.
        candidates, open: the sets ``C`` and ``N`` of ``kernels.begin``; uint64, (blocks, 64).
        late_candidates, late_open: the same without the fifty-move rule, None where it is
            the same.
        complete: no move was left out, and wins too slow for the fifty-move rule are told from
            draws: the answers are those of the slice solved alone.
        whole: no move was left out: the wins that the fifty-move rule lets stand are exact.
        slow_unknown: what is not won under the rule may be won without it, by an exit whose own
            slow wins were not kept apart.
        solved: the sets are the solved ones: placements with Black to move that are lost, and
            with White to move that are not won (``late_*`` as above).
    """

    codes: Array
    pieces: int
    symmetric: bool
    white: int
    black: int
    candidates: Array
    open: Array
    late_candidates: Array | None
    late_open: Array | None
    complete: bool
    whole: bool
    slow_unknown: bool
    solved: bool = False


class Stopped(Exception):
    """The time is up, or the user has had enough."""


class OutOfMemory(Exception):
    """The plan does not fit into memory or disk."""


class Scratch:
    """What one thread needs for itself."""

    def __init__(self, largest: int):
        u = np.uint64
        self.candidates = np.empty((largest, 64), u)
        self.fronts = np.empty((2, largest, 64), u)
        self.front_blocks = np.empty((2, largest), np.int64)
        self.queued = np.zeros(largest, np.int32)
        self.changed = np.zeros(largest, np.int32)
        self.where = np.full(largest, -1, np.int32)
        self.blocks = np.empty(largest, np.int64)
        self.state = np.zeros(8, np.int64)
        self.words = np.zeros((8, 64), u)
        self.words[0] = kernels.ALL
        self.rows = np.zeros(160, u)


NO_DISTANCES: Final = np.zeros((1, 64, 64), np.uint8)


class Run:
    """One question solved over all slices of a plan.

    Args:
        plan: what to do.
        threads: number of threads.
        folder: where a pool larger than ``memory`` is kept as a memory-mapped file.
        memory: bytes of the pool that may be real memory.

    Every set holds the wins that the fifty-move rule lets stand: at most 100 plies in each slice on
    the way.  Where every slice is complete the slower ones are kept apart as well.
    """

    def __init__(
        self,
        plan: Plan,
        *,
        threads: int = 2,
        memory: int,
        folder: Path | None = None,
    ):
        self.plan = plan
        self.two_kinds = bool(plan.structures.complete.all())
        self._no_slow: Array | None = None
        self.threads = threads
        self.offsets = plan.offsets.copy()
        self.plies = np.zeros(len(plan.structures), np.int64)
        self.done = 0
        self._file: Any = None
        self._sizes = sizes_of(plan.structures)
        spare = 0
        if self.two_kinds:
            # Address space only: a page costs memory when it is first written to.
            spare = min(2 * int(self._sizes.sum()), _MOST_SPARE // BLOCK_BYTES)
        self._top = plan.blocks
        self._limit = plan.blocks + spare
        try:
            if plan.pool_bytes > memory:
                self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed in close()
                self._file.truncate(self._limit * BLOCK_BYTES)
                self.pool: Array = np.memmap(self._file, np.uint64, "r+", shape=(self._limit, 64))
            else:
                self.pool = np.empty((self._limit, 64), np.uint64)
        except (MemoryError, OSError) as error:
            raise OutOfMemory(str(error)) from error
        self._lock = threading.Condition()
        self._late: dict[int, tuple[Array, Array]] = {}

    def close(self) -> None:
        """Give the memory back."""
        del self.pool
        if self._file is not None:
            self._file.close()

    # long: the threads share what is set up here, and one place sees to their end
    def execute(
        self,
        *,
        stop: Callable[[], bool] = lambda: False,
        hurry: Callable[[], bool] = lambda: False,
        report: Callable[[int, float], None] | None = None,
    ) -> None:
        """Solve everything.

        Args:
            stop: asked between batches, from any thread; True to give up.
            hurry: asked from this thread; True to leave soon, even if a thread is in the middle
                of a batch (of large slices it may take minutes): it ends by itself after it.
            report: called at first and now and then, from this thread, with slices done and the
                estimated share.

        Raises:
            Stopped: if told to stop.
            OutOfMemory: if sets without the fifty-move rule need more than was set aside.
            KeyboardInterrupt: after the threads have stopped.
        """
        plan = self.plan
        n_batches = len(plan.starts) - 1
        missing = np.diff(plan.waits_first).copy()
        followers: list[list[int]] = [[] for _ in range(n_batches)]
        for batch in range(n_batches):
            for before in plan.waits[plan.waits_first[batch] : plan.waits_first[batch + 1]]:
                followers[before].append(batch)
        left = n_batches
        seconds = seconds_of(plan.structures)[plan.order]
        weights = np.add.reduceat(seconds, plan.starts[:-1])
        total = float(weights.sum())
        spent = 0.0

        def rank(batch: int) -> tuple[float, int]:
            """The order of the plan, but large slices as soon as they can be solved."""
            weight = float(weights[batch])
            return (-weight if weight > _LARGE_SECONDS else 0.0, batch)

        ready = [rank(b) for b in range(n_batches) if missing[b] == 0]
        heapq.heapify(ready)
        failure: list[BaseException] = []
        lock = self._lock

        def work() -> None:
            nonlocal left, spent
            scratch = Scratch(plan.largest)
            while True:
                with lock:
                    while not ready and left and not failure:
                        lock.wait()
                    if failure or not left:
                        lock.notify_all()
                        return
                    _, batch = heapq.heappop(ready)
                try:
                    if stop():
                        raise Stopped
                    self._batch(batch, scratch)
                except BaseException as error:
                    with lock:
                        failure.append(error)
                        lock.notify_all()
                    return
                with lock:
                    left -= 1
                    spent += float(weights[batch])
                    self.done += int(plan.starts[batch + 1] - plan.starts[batch])
                    for follower in followers[batch]:
                        missing[follower] -= 1
                        if missing[follower] == 0:
                            heapq.heappush(ready, rank(follower))
                    lock.notify_all()

        if report is not None:
            report(self.done, 0.0)  # an interrupt may end the workers before they are waited for
        workers = [threading.Thread(target=work, daemon=True) for _ in range(max(1, self.threads))]
        for worker in workers:
            worker.start()
        try:
            while any(worker.is_alive() for worker in workers):
                for worker in workers:
                    worker.join(0.2)
                if report is not None:
                    report(self.done, min(1.0, spent / total))
                if hurry():
                    raise Stopped
        except BaseException as error:
            with lock:
                failure.append(error)
                lock.notify_all()
            end = time.monotonic() + _LAST_BATCH
            for worker in workers:
                worker.join(max(0.0, end - time.monotonic()))
            if not any(worker.is_alive() for worker in workers):
                failure.clear()
            raise
        if failure:
            try:
                raise failure[0]
            finally:
                # The error knows this frame, and this frame the error: left so, the plan and all
                # sets would stay in memory until Python looks for such rings.
                failure.clear()

    def _batch(self, batch: int, x: Scratch) -> None:
        plan, st = self.plan, self.plan.structures
        ids = plan.order[plan.starts[batch] : plan.starts[batch + 1]]
        place = 0
        while True:
            place = kernels.solve_batch(
                ids,
                place,
                st.pieces,
                st.symmetric,
                st.codes,
                st.white,
                st.black,
                st.first,
                st.last,
                st.rows,
                self.offsets,
                self.pool,
                self.plies,
                x.candidates,
                x.fronts,
                x.front_blocks,
                x.queued,
                x.changed,
                x.where,
                x.blocks,
                x.state,
                NO_DISTANCES,
                NO_DISTANCES,
                x.words,
                x.rows,
                LAST_PLY,
                self.two_kinds,
            )
            if place == len(ids):
                return
            self._late_stage(int(ids[place]), x)
            place += 1

    def _late_stage(self, s: int, x: Scratch) -> None:
        """Beyond the fifty-move rule: sets of their own for this slice."""
        st = self.plan.structures
        size = int(self._sizes[s])
        with self._lock:
            if self._top + 2 * size > self._limit:
                raise OutOfMemory("too many sets that differ under the fifty-move rule")
            off_l, off_n = self._top, self._top + size
            self._top += 2 * size
        count = int(x.state[4])
        has_exits = self._has_late_exits(s)
        candidates, open_ = x.candidates, x.candidates[:0]
        if has_exits:
            candidates, open_ = self._late_exits(s, x, count)
        true_l, true_n = self.offsets[kernels.OFF_L, s], self.offsets[kernels.OFF_N, s]
        self.pool[off_l : off_l + size] = self.pool[true_l : true_l + size]
        self.pool[off_n : off_n + size] = self.pool[true_n : true_n + size]
        kernels.late_iterate(
            int(st.pieces[s]),
            bool(st.symmetric[s]),
            st.codes[s],
            st.white[s],
            st.black[s],
            self.pool,
            off_l,
            off_n,
            candidates,
            open_,
            has_exits,
            x.state,
            x.fronts,
            x.front_blocks,
            x.queued,
            x.changed,
            x.where,
            x.blocks,
            count,
            NO_DISTANCES,
            NO_DISTANCES,
            False,
            x.words,
            x.rows,
        )
        self.plies[s] = x.state[0]
        self.offsets[kernels.OFF_LATE_L, s] = off_l
        self.offsets[kernels.OFF_LATE_N, s] = off_n
        # Without late exits the slice starts from the same sets and only takes longer.
        if has_exits and self.offsets[kernels.OFF_KEEP_C, s] >= 0:
            with self._lock:
                self._late[s] = (candidates, open_)

    def _has_late_exits(self, s: int) -> bool:
        st = self.plan.structures
        return bool(kernels.children_are_late(st.rows, st.first[s], st.last[s], self.offsets))

    def _late_exits(self, s: int, x: Scratch, count: int) -> tuple[Array, Array]:
        st = self.plan.structures
        candidates, open_, legal = (
            np.zeros((int(self._sizes[s]), 64), np.uint64) for _ in range(3)
        )
        kernels.late_exits(
            s,
            st.pieces,
            st.symmetric,
            st.codes,
            st.white,
            st.black,
            st.first,
            st.last,
            st.rows,
            self.offsets,
            self.pool,
            candidates,
            open_,
            legal,
            x.blocks,
            count,
            x.words,
            x.rows,
        )
        return candidates, open_

    def compile_late(self) -> None:
        """Compile what only slices with wins beyond the fifty-move rule need; changes nothing."""
        self._has_late_exits(0)
        self._late_exits(0, Scratch(self.plan.largest), 0)

    def _without_slow(self) -> Array:
        """1 for slices that were finished within the rule, as was all that they lead to.

        There the fifty-move rule changes nothing.  A slice that came to the last ply is taken for
        one that was not finished.
        """
        if self._no_slow is None:
            st = self.plan.structures
            found = (self.plies < kernels.LAST_TRUE_PLY).astype(np.int64)
            spread_incomplete(st.first, st.last, st.rows, found)
            self._no_slow = found
        return self._no_slow

    def _slow_unknown(self, s: int, solved: bool) -> bool:
        """May a placement that is not won here be won without the fifty-move rule?

        The quiet moves of a slice are gone through to the end when it is opened, so its own plies
        beyond the rule are no reason, unless the solved sets themselves are kept.
        """
        if self.two_kinds:
            return False
        no_slow = self._without_slow()
        if solved:
            return not no_slow[s]
        st = self.plan.structures
        children = st.rows[st.first[s] : st.last[s]][
            :, [kernels.ROW_CHILD, kernels.ROW_EP1, kernels.ROW_EP2]
        ]
        return not no_slow[children[children >= 0]].all()

    def kept(self, s: int) -> Kept:
        """What was kept of a slice, copied out of the pool."""
        st = self.plan.structures
        whole = bool(st.complete[s])
        off = self.offsets
        if off[kernels.OFF_KEEP_C, s] >= 0:
            names = (kernels.OFF_KEEP_C, kernels.OFF_KEEP_N)
            late = self._late.get(s)
            solved = False
        else:
            names = (kernels.OFF_L, kernels.OFF_N)
            late = None
            solved = True
            if off[kernels.OFF_LATE_L, s] != off[kernels.OFF_L, s]:
                late = (self._copy(kernels.OFF_LATE_L, s), self._copy(kernels.OFF_LATE_N, s))
        slow_unknown = self._slow_unknown(s, solved)
        return Kept(
            st.codes[s].copy(),
            int(st.pieces[s]),
            bool(st.symmetric[s]),
            int(st.white[s]),
            int(st.black[s]),
            self._copy(names[0], s),
            self._copy(names[1], s),
            late[0] if late else None,
            late[1] if late else None,
            whole and not slow_unknown,
            whole,
            slow_unknown,
            solved,
        )

    def _copy(self, name: int, s: int) -> Array:
        at = int(self.offsets[name, s])
        return np.array(self.pool[at : at + self._sizes[s]])
