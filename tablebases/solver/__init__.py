"""Endings solved on the spot: outcomes past the tables, with proof.

``solve`` answers for kings, a few pieces and any number of pawns, exactly or within bounds. The
package needs numpy and numba, so it is imported when it is first used; numba's machine code is
kept in the user's cache folder.
"""

from __future__ import annotations

from tablebases.solver.code import choose_folder, prepared

choose_folder()  # before numba is imported

# ruff: noqa: E402
from tablebases.solver.budget import Budget, Cost, Progress
from tablebases.solver.classes import ClassSolution, solve_class
from tablebases.solver.compiling import rest_while_compiling
from tablebases.solver.sets import can_solve
from tablebases.solver.solution import Solution
from tablebases.solver.store import Store
from tablebases.solver.trying import solve

rest_while_compiling()

__all__ = [
    "Budget",
    "ClassSolution",
    "Cost",
    "Progress",
    "Solution",
    "Store",
    "can_solve",
    "prepared",
    "solve",
    "solve_class",
]
