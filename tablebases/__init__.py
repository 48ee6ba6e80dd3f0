"""Exact knowledge of chess endings from Syzygy tables, with the fifty-move rule applied.

>>> import chess
>>> from tablebases import open_tables
>>> with open_tables() as tables:
...     answer = tables.outcome(chess.Board("8/8/8/4k3/8/8/4P3/4K3 w - - 0 1"))
>>> answer.word
'draw'

Modules: ``values`` (outcomes, distances, the fifty-move rule), ``material`` (names of material),
``errors``, ``files`` (finding table files), ``seal`` (the sum at the end of a file), ``trial``
(content held against itself), ``checking`` (all of it, for ``tables check``), ``probing`` (asking
tables) and ``conformance`` (what every prober must do).
"""

from __future__ import annotations

from tablebases.chain import ChainProber
from tablebases.checking import check_folder
from tablebases.errors import (
    CastlingRights,
    DamagedTable,
    ForeignFile,
    IllegalPosition,
    MissingTable,
    NoSuchFolder,
    TablebaseError,
    TableFileError,
    TooManyMen,
)
from tablebases.files import (
    CheckResult,
    TableFile,
    bundled_folder,
    find_tables,
    missing_for,
)
from tablebases.material import (
    all_names,
    is_material_name,
    material_name,
    men,
    normal_name,
    successors,
)
from tablebases.probing import ProbeCounts, Prober, SyzygyProber, open_tables
from tablebases.values import Answer, Distance, Outcome, outcome_under_clock

__all__ = [
    "Answer",
    "CastlingRights",
    "ChainProber",
    "CheckResult",
    "DamagedTable",
    "Distance",
    "ForeignFile",
    "IllegalPosition",
    "MissingTable",
    "NoSuchFolder",
    "Outcome",
    "ProbeCounts",
    "Prober",
    "SyzygyProber",
    "TableFile",
    "TableFileError",
    "TablebaseError",
    "TooManyMen",
    "all_names",
    "bundled_folder",
    "check_folder",
    "find_tables",
    "is_material_name",
    "material_name",
    "men",
    "missing_for",
    "normal_name",
    "open_tables",
    "outcome_under_clock",
    "successors",
]
