"""Endings solved on the spot: outcomes past the tables, with proof.

``solve`` answers for kings, a few pieces and any number of pawns, exactly or within bounds. The
package needs numpy and numba, so it is imported when it is first used; numba's machine code is
kept in the user's cache folder.
"""

from __future__ import annotations

import os

import platformdirs

os.environ.setdefault(
    "NUMBA_CACHE_DIR", str(platformdirs.user_cache_path("fullpoint") / "machine-code")
)

from tablebases.solver.classes import ClassSolution, solve_class
from tablebases.solver.solution import (
    Budget,
    Cost,
    Progress,
    Solution,
    can_solve,
    solve,
)
from tablebases.solver.store import Store

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


def prepared() -> bool:
    """Has the solver's machine code been made on this machine before?"""
    folder = os.environ["NUMBA_CACHE_DIR"]
    return os.path.isdir(folder) and any(os.scandir(folder))
