"""Before anything is solved: in which order, in which memory, at what cost.

Slices are put in an order in which each comes after those it leads to, cut into batches, and every
set gets its place in one pool. A place is used again once the last reader of the set before is
done; the batch that uses it again waits for those readers. So the memory is known beforehand, and
several threads can work on batches without asking for memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from numba import njit

from tablebases.solver.bare import BARE
from tablebases.solver.kernels import (
    OFF_KEEP_C,
    OFF_KEEP_N,
    OFF_L,
    OFF_N,
    OFF_STALE,
    OFFSETS,
    OPEN_PROMOTION,
    ROW_CHILD,
    ROW_EP1,
    ROW_EP2,
    ROW_KIND,
    ROW_SIDE,
    blocks_of,
)
from tablebases.solver.structures import (
    Structures,
    by_levels,
    depth_first,
    depth_first_by,
    grow_ints,
)

Array = npt.NDArray[Any]

BLOCK_BYTES: Final = 512

KEEP_START: Final = 1
"""Keep the sets before the first quiet move: all distances can be had from them again."""
KEEP_RESULT: Final = 2
"""Keep the solved sets: for slices that are too large to be solved again for one question."""

# Seconds for a slice on one core, by number of pieces: about what up to two took on 16 busy cores,
# listing included where there are none; for more, 0.63 of what they took before the kernels counted
# no references.  A slower core takes up to twice that (docs/benchmarks.md).
_SECONDS: Final = (0.000015, 0.00015, 0.020, 5.0, 560.0)
_SYMMETRIC_SECONDS: Final = (0.0, 0.0, 0.008, 0.85, 56.0)
PRICES: Final = np.array([_SECONDS, _SYMMETRIC_SECONDS])
"""Seconds of one core for a slice, by whether it is symmetric and its number of pieces."""
_BLIND_SHARE: Final = 0.3
"""What a slice that is not looked into counts, as a share of one that is."""
_SETS: Final = 5
"""Most sets of a slice: those solved, those kept, stalemates."""
_FREELY: Final = 2**30
"""Bytes up to which every set gets a place of its own if all have room."""
_BATCH_SECONDS: Final = 0.01
_THREADS: Final = 2
_SPEED_UP: Final = 1.7
"""What the second thread brings; threads beyond two are taken to bring as much each."""


@dataclass(frozen=True)
class Plan:
    """What will be done.

    Attributes:
        structures: the slices.
        order: slices in the order of work.
        starts: first place in ``order`` of each batch, and the end.
        offsets: places of the sets in the pool (``kernels.OFF_*``), in blocks; shape (OFFSETS, n).
        waits_first, waits: for batch ``b`` the batches to wait for are
            ``waits[waits_first[b]:waits_first[b + 1]]``.
        blocks: blocks of the pool, those of kept sets included.
        largest: blocks of the largest slice, which each thread needs about six times.
        seconds: estimate on one core.
    """

    structures: Structures
    order: Array
    starts: Array
    offsets: Array
    waits_first: Array
    waits: Array
    blocks: int
    largest: int
    seconds: float

    @property
    def own_bytes(self) -> int:
        """Bytes that the plan itself takes in memory, about."""
        st = self.structures
        held = (
            st.rows,
            st.codes,
            st.pieces,
            st.symmetric,
            st.white,
            st.black,
            st.first,
            st.last,
            st.complete,
            self.order,
            self.starts,
            self.offsets,
            self.waits,
        )
        return sum(int(array.nbytes) for array in held)

    @property
    def pool_bytes(self) -> int:
        """Bytes of the pool."""
        return self.blocks * BLOCK_BYTES

    def bytes(self, threads: int) -> int:
        """Bytes in all, with what each thread needs for itself."""
        return self.pool_bytes + threads * scratch_bytes(self.largest)


def scratch_bytes(largest: int) -> int:
    """Bytes that one thread needs for itself when the largest slice has so many blocks."""
    return largest * (3 * BLOCK_BYTES + 2 * 8 + 3 * 4 + 8)


def least_bytes(blocks: int, threads: int) -> int:
    """Bytes that any plan takes at least in which a slice has so many blocks."""
    return 2 * blocks * BLOCK_BYTES + threads * scratch_bytes(blocks)


def most_blocks(memory: int, threads: int) -> int:
    """Blocks of the largest slice that any plan within so many bytes can hold."""
    return memory // least_bytes(1, threads)


def seconds_of(structures: Structures) -> Array:
    """Estimated seconds of each slice on one core, float64, shape (n,)."""
    seconds = PRICES[structures.symmetric, structures.pieces]
    seconds[structures.opened :] *= _BLIND_SHARE
    return seconds


def wall_seconds(seconds: float, threads: int) -> float:
    """Estimated time on the clock for so many seconds of one core."""
    return seconds / (1 if threads == 1 else _SPEED_UP * threads / 2)


def sizes_of(structures: Structures) -> Array:
    """Blocks of each slice, int64, shape (n,)."""
    table = np.array([[blocks_of(k, y) for y in (0, 1)] for k in range(5)], np.int64)
    return table[structures.pieces, structures.symmetric]


@njit(cache=True, **BARE)
def _reads_of(rows, first, last, out_child, out_set):
    """What a slice reads: (slice, set) pairs with set 0 = L, 1 = N, 2 = stalemates."""
    n = 0
    for r in range(first, last):
        child = rows[r, ROW_CHILD]
        if child < 0:
            continue
        white = rows[r, ROW_SIDE] == 0
        reads_l = white != (rows[r, ROW_KIND] >= OPEN_PROMOTION)
        out_child[n] = child
        out_set[n] = 0 if reads_l else 1
        n += 1
        has_ep = False
        for c in (ROW_EP1, ROW_EP2):
            ep = rows[r, c]
            if ep >= 0:
                out_child[n] = ep
                out_set[n] = 1 if white else 0
                n += 1
                has_ep = True
        if has_ep and white:
            out_child[n] = child
            out_set[n] = 2
            n += 1
    return n


# long: compiled, one simulation of the order in which slices are held
@njit(cache=True, nogil=True)
def _places(order, starts, first, last, rows, sizes, class_of, n_classes, keep, limit):
    n = len(order)
    n_batches = len(starts) - 1
    offsets = np.full((OFFSETS, n), -1, np.int64)
    left = np.zeros((3, n), np.int64)
    width = 0
    for s in range(n):
        width = max(width, last[s] - first[s])
    child = np.empty(4 * width + 4, np.int64)
    which = np.empty(4 * width + 4, np.int64)
    for s in range(n):
        m = _reads_of(rows, first[s], last[s], child, which)
        for j in range(m):
            left[which[j], child[j]] += 1
    batch_of = np.empty(n, np.int64)
    for b in range(n_batches):
        for p in range(starts[b], starts[b + 1]):
            batch_of[order[p]] = b
    # Size classes, each with a ring of free places.
    heads = np.zeros(n_classes, np.int64)
    tails = np.zeros(n_classes, np.int64)
    counts = np.zeros(n_classes, np.int64)
    for s in range(n):
        counts[class_of[s]] += 1
    width_free = 0
    for c in range(n_classes):
        width_free = max(width_free, 3 * counts[c])
    free = np.empty((n_classes, width_free), np.int64)
    freed_slice = np.empty((n_classes, width_free), np.int64)
    top = 0
    for s in range(n):
        if keep[s] == KEEP_RESULT:
            left[0, s] += 1
            left[1, s] += 1
        if keep[s] == KEEP_START:
            offsets[OFF_KEEP_C, s] = top
            offsets[OFF_KEEP_N, s] = top + sizes[s]
            top += 2 * sizes[s]
    # Which batches have read a slice: a linked list, needed when its place is used again.
    reader_head = np.full(n, -1, np.int64)
    reader_next = np.empty(1024, np.int64)
    reader_batch = np.empty(1024, np.int64)
    n_readers = 0
    waits_first = np.zeros(n_batches + 1, np.int64)
    waits = np.empty(1024, np.int64)
    n_waits = 0
    seen = np.full(n_batches, -1, np.int64)
    peak = top
    for b in range(n_batches):
        waits_first[b] = n_waits
        for p in range(starts[b], starts[b + 1]):
            s = order[p]
            c = class_of[s]
            for x in range(3):
                if left[x, s] == 0 and x == 2:
                    continue
                reuse = heads[c] < tails[c] and top + sizes[s] > limit
                if reuse:
                    offset = free[c, heads[c]]
                    old = freed_slice[c, heads[c]]
                    heads[c] += 1
                    # Wait for whoever made and read what stood there.
                    if batch_of[old] != b and seen[batch_of[old]] != b:
                        seen[batch_of[old]] = b
                        if n_waits + 1 >= len(waits):
                            waits = grow_ints(waits)
                        waits[n_waits] = batch_of[old]
                        n_waits += 1
                    e = reader_head[old]
                    while e >= 0:
                        rb = reader_batch[e]
                        if rb != b and seen[rb] != b:
                            seen[rb] = b
                            if n_waits + 1 >= len(waits):
                                waits = grow_ints(waits)
                            waits[n_waits] = rb
                            n_waits += 1
                        e = reader_next[e]
                else:
                    offset = top
                    top += sizes[s]
                    if top > peak:
                        peak = top
                if x == 0:
                    offsets[OFF_L, s] = offset
                elif x == 1:
                    offsets[OFF_N, s] = offset
                else:
                    offsets[OFF_STALE, s] = offset
            m = _reads_of(rows, first[s], last[s], child, which)
            for j in range(m):
                d = child[j]
                db = batch_of[d]
                if db != b and seen[db] != b:
                    seen[db] = b
                    if n_waits + 1 >= len(waits):
                        waits = grow_ints(waits)
                    waits[n_waits] = db
                    n_waits += 1
                e = reader_head[d]
                if e < 0 or reader_batch[e] != b:
                    if n_readers == len(reader_next):
                        reader_next = grow_ints(reader_next)
                        reader_batch = grow_ints(reader_batch)
                    reader_next[n_readers] = e
                    reader_batch[n_readers] = b
                    reader_head[d] = n_readers
                    n_readers += 1
            # What nobody reads any more is free: first what this slice has just read.
            for j in range(m):
                d = child[j]
                x = which[j]
                left[x, d] -= 1
                if left[x, d] == 0:
                    cd = class_of[d]
                    row = OFF_L if x == 0 else (OFF_N if x == 1 else OFF_STALE)
                    free[cd, tails[cd]] = offsets[row, d]
                    freed_slice[cd, tails[cd]] = d
                    tails[cd] += 1
            for x in range(2):
                if left[x, s] == 0:
                    free[c, tails[c]] = offsets[OFF_L if x == 0 else OFF_N, s]
                    freed_slice[c, tails[c]] = s
                    tails[c] += 1
    waits_first[n_batches] = n_waits
    return offsets, waits_first, waits[:n_waits], peak


@njit(cache=True)
def _batches(order, seconds, target):
    starts = np.empty(len(order) + 1, np.int64)
    n = 0
    total = 2.0 * target
    for p in range(len(order)):
        cost = seconds[order[p]]
        if total + cost > target or cost > target:
            starts[n] = p
            n += 1
            total = 0.0
        total += cost
        if cost > target:
            total = 2.0 * target
    starts[n] = len(order)
    return starts[: n + 1]


def make_plan(structures: Structures, keep: Array, memory: int) -> Plan:
    """Order, places and cost.

    Args:
        keep: what to keep of each slice: 0, ``KEEP_START`` or ``KEEP_RESULT``, int64, shape (n,).
        memory: bytes up to which places are not used again, which leaves the threads more room;
            the plan may need more.
    """
    seconds = seconds_of(structures)
    sizes = sizes_of(structures)
    classes, class_of = np.unique(sizes, return_inverse=True)
    large = seconds[structures.pieces >= 2].sum()
    orders = [
        depth_first(structures.first, structures.last, structures.rows, turn)
        for turn in (False, True)
    ]
    if large < 0.5 * seconds.sum():
        orders.insert(0, by_levels(structures.first, structures.last, structures.rows, orders[0]))
    best: Plan | None = None
    for i in range(len(orders) + 1):
        if i < len(orders):
            order = orders[i]
        else:
            # White's pawns furthest on first: of the orders tried the one with the fewest sets
            # alive at a time.
            ranks = np.argsort(np.argsort(structures.white, kind="stable"), kind="stable")
            order = depth_first_by(structures.first, structures.last, structures.rows, ranks)
        starts = _batches(order, seconds, _BATCH_SECONDS)
        exits = (structures.first, structures.last, structures.rows)
        arguments = (order, starts, *exits, sizes, class_of, len(classes), keep)
        room = max(0, memory - _THREADS * scratch_bytes(int(sizes.max()))) // BLOCK_BYTES
        # Where all sets find room no place need be used again, which takes half as long to plan.
        all_fit = _SETS * int(sizes.sum()) <= min(room, _FREELY // BLOCK_BYTES)
        offsets, first, waits, peak = _places(*arguments, room if all_fit else 0)
        if peak < room and not all_fit:
            offsets, first, waits, peak = _places(*arguments, min(room, 2 * int(peak)))
        plan = Plan(
            structures,
            order,
            starts,
            offsets,
            first,
            waits,
            int(peak),
            int(sizes.max()),
            float(seconds.sum()),
        )
        if peak <= room:
            return plan
        if best is None or plan.blocks < best.blocks:
            best = plan
    assert best is not None
    return best


__all__ = [
    "PRICES",
    "Plan",
    "least_bytes",
    "make_plan",
    "most_blocks",
    "scratch_bytes",
    "seconds_of",
    "sizes_of",
    "wall_seconds",
]
