"""Exact outcomes in bulk: tables, whole classes, and single endings with a budget counted in plan.

What is found out is kept line by line in a file, so that the work can be stopped at any time.
The budget does not depend on the clock: the same positions are settled on every machine.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

import chess

from tablebases.material import material_name, men, normal_name
from tablebases.probing import open_tables
from tablebases.solver.entries import SOLVER_VERSION

#: Seconds of planned work for one ending, and bytes of memory.
PLANNED_SECONDS = 4.0
MEMORY = 2**30
#: Most pieces of a five-man class that is solved as a whole; with a pawn one fewer.
CLASS_PIECES = 3
#: Tasks that a process does before it makes room for another.
BATCH = 200
#: A class is solved as a whole when so many of its positions are asked for.
CLASS_FROM = 12


@dataclass(frozen=True)
class SolveTask:
    """A class to solve for some of its positions, or, without name, single positions."""

    name: str
    fens: tuple[str, ...]


def value_of(low: int, high: int) -> int | None:
    """1 win, 0 draw, -1 loss when both outcomes come to the same, else None."""
    points = [(x > 1) - (x < -1) for x in (low, high)]
    return points[0] if points[0] == points[1] else None


def run_task(task: SolveTask) -> list[tuple[str, int | None]]:
    """Values for the side to move under the fifty-move rule, clock 0; None: not settled."""
    from tablebases.solver.budget import Budget
    from tablebases.solver.classes import solve_class
    from tablebases.solver.sets import Sets
    from tablebases.solver.solution import Solution
    from tablebases.solver.trying import Solver

    boards = [chess.Board(fen) for fen in task.fens]
    if task.name and men(task.name) <= 4:
        tables = open_tables()
        return [
            (fen, value_of(*(2 * [int(tables.wdl_after_zeroing(board))])))
            for fen, board in zip(task.fens, boards, strict=True)
        ]
    solution: Solution
    if task.name:
        solution = solve_class(task.name, Budget(seconds=1e9, memory=6 * 2**30, threads=1))
    else:
        budget = Budget(seconds=PLANNED_SECONDS, memory=MEMORY, threads=1, planned=True)
        solution = Solver(boards, budget, sets=Sets()).run()
    pairs = solution.intervals(boards)
    return [
        (fen, value_of(int(low), int(high)))
        for fen, (low, high) in zip(task.fens, pairs, strict=True)
    ]


def whole_class(name: str) -> bool:
    """Is a class of five men small enough to be solved as a whole?"""
    pieces = sum(letter in "QRBN" for letter in name)
    pawns = name.count("P")
    return men(name) == 5 and (
        (pawns == 0 and pieces == CLASS_PIECES) or (pawns == 1 and pieces == CLASS_PIECES - 1)
    )


def tasks_for(groups: Iterable[Sequence[str]]) -> list[SolveTask]:
    """Split the work; ``groups`` are positions that are best settled together.

    Every position must be legal, without castling rights, clock 0.
    """
    by_class: dict[str, dict[str, None]] = {}
    singles: dict[tuple[str, ...], None] = {}
    taken: set[str] = set()
    for group in groups:
        rest = []
        for fen in group:
            name = normal_name(material_name(chess.Board(fen)))
            if men(name) <= 4 or whole_class(name):
                by_class.setdefault(name, {})[fen] = None
            elif fen not in taken:
                rest.append(fen)
        if rest:
            singles[tuple(rest)] = None
            taken.update(rest)
    tasks = []
    for name, fens in by_class.items():
        if men(name) == 5 and len(fens) < CLASS_FROM:
            singles.update({(fen,): None for fen in fens})
        else:
            tasks.append(SolveTask(name, tuple(fens)))
    # The long ones first, so that no process is left with one of them at the end.
    tasks.sort(key=lambda t: (-men(t.name), t.name.count("P"), t.name))
    # Single endings in an order like one drawn at random: the first so many are a fair sample.
    ordered = sorted(singles, key=lambda fens: hashlib.blake2b(fens[0].encode()).digest())
    return tasks + [SolveTask("", fens) for fens in ordered]


def first_tasks(groups: Iterable[Sequence[str]], most: int | None) -> list[SolveTask]:
    """The classes, and at most so many single endings."""
    tasks = tasks_for(groups)
    classes = sum(bool(task.name) for task in tasks)
    return tasks if most is None else tasks[: classes + most]


class Outcomes:
    """What is known, in a file of one JSON line a position; read back when opened again.

    Args:
        path: the file; made if it is not there.  A last line cut off by a power cut is dropped.
    """

    def __init__(self, path: Path):
        self.path = path
        self.known: dict[str, int | None] = {}
        head = {"solver": SOLVER_VERSION, "seconds": PLANNED_SECONDS, "memory": MEMORY}
        if path.exists():
            lines = path.read_bytes().split(b"\n")
            replies = lines[:-1]
            if replies and json.loads(replies[0]) == head:
                for line in replies[1:]:
                    fen, value = json.loads(line)
                    self.known[fen] = value
                if lines[-1]:
                    path.write_bytes(b"\n".join(replies) + b"\n")
                return
        path.write_text(json.dumps(head) + "\n", encoding="utf-8")

    def settle(
        self,
        groups: Iterable[Sequence[str]],
        jobs: int = 1,
        tell: Callable[[int, int], None] | None = None,
        most: int | None = None,
    ) -> dict[str, int | None]:
        """Find out what is not known yet; ``tell`` hears of tasks done, and of how many.

        Args:
            most: at most so many single endings are looked at, always the same ones.

        Returns:
            The values of what was to be looked at, known before or not.
        """
        asked = first_tasks(groups, most)
        tasks = [
            SolveTask(task.name, left)
            for task in asked
            if (left := tuple(fen for fen in task.fens if fen not in self.known))
        ]
        done = 0
        with self.path.open("a", encoding="utf-8") as file:
            for pairs in _results(tasks, jobs):
                for fen, value in pairs:
                    self.known[fen] = value
                    file.write(json.dumps([fen, value]) + "\n")
                file.flush()
                done += 1
                if tell is not None:
                    tell(done, len(tasks))
        return {fen: self.known[fen] for task in asked for fen in task.fens}


def _results(tasks: Sequence[SolveTask], jobs: int) -> Iterator[list[tuple[str, int | None]]]:
    if jobs <= 1:
        yield from map(run_task, tasks)
        return
    executor: Executor
    for first in range(0, len(tasks), jobs * BATCH):
        # New processes from time to time, so that what the solver keeps does not add up.
        with ProcessPoolExecutor(jobs) as executor:
            batch = tasks[first : first + jobs * BATCH]
            futures = [executor.submit(run_task, task) for task in batch]
            try:
                for future in as_completed(futures):
                    yield future.result()
            except BaseException:
                executor.shutdown(wait=False, cancel_futures=True)
                raise


def processors() -> int:
    """Processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
