"""How much work goes into what no table settles."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["EFFORTS", "Effort", "EffortName", "threads_of"]


@dataclass(frozen=True)
class Effort:
    """Amounts of work, all in positions looked at.

    Attributes:
        look_ahead_nodes: of the look-ahead.
        search_proof: gone through again where the look-ahead says that the result is decided.
        proof_nodes: of the search for lines into the tables.
        proof_checked: gone through again for each such line.
        proof_men: no line is looked for with more men.
        proof_slack: moves of a line that take nothing.
    """

    look_ahead_nodes: int
    search_proof: int
    proof_nodes: int
    proof_checked: int
    proof_men: int
    proof_slack: int


class EffortName(StrEnum):
    """Named amounts of work."""

    QUICK = "quick"
    NORMAL = "normal"
    DEEP = "deep"


EFFORTS: dict[EffortName, Effort] = {
    EffortName.QUICK: Effort(2_000, 20, 5_000, 100, 7, 4),
    EffortName.NORMAL: Effort(20_000, 60, 20_000, 400, 8, 6),
    EffortName.DEEP: Effort(200_000, 600, 200_000, 4_000, 9, 8),
}


def threads_of(share: int) -> int:
    """Threads of a process that shares the processors with so many, itself counted."""
    return 2 if share == 1 else 1
