"""Room for the sets of a step: memory, or a file where the machine has not so much to spare."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from tablebases.solver.budget import Budget
from tablebases.solver.machine import NoRoom, spill_folder, to_spare
from tablebases.solver.plan import Plan, scratch_bytes
from tablebases.solver.run import OutOfMemory, Run

PLANNED_THREADS: Final = 2
"""Threads for whose memory a plan must leave room, however many there will be."""


def begin_run(plan: Plan, budget: Budget, most: int, folder: Path | None) -> Run:
    """Set the memory of a step aside, or a file where the machine has not so much to spare.

    Args:
        most: bytes of memory that the step may take; ``budget.disk`` more in a file.
        folder: where a file is made; None for the user's cache folder.

    Raises:
        NoRoom: there is room for neither.
    """
    scratch = scratch_bytes(plan.largest)
    spare = to_spare(budget.share)
    allowed = most + budget.disk - plan.pool_bytes
    threads = max(1, min(budget.threads, min(allowed, spare) // max(1, scratch)))
    memory = max(0, min(most - PLANNED_THREADS * scratch, spare - threads * scratch))
    needed = plan.pool_bytes + scratch
    for real in dict.fromkeys((memory, 0)):
        place = folder
        if plan.pool_bytes > real or scratch > spare:
            place = spill_folder(folder, plan.pool_bytes, spare)
            if scratch > spare:
                raise NoRoom(needed, spare, place, "only a part of it can lie in a file")
        try:
            return Run(plan, threads=threads, memory=real, folder=place)
        except OutOfMemory as error:
            reason = str(error)
    raise NoRoom(needed, spare, spill_folder(folder, 0, spare), reason)
