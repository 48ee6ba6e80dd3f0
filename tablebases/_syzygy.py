"""The one module that imports ``chess.syzygy``: tables that name what is missing or broken.

python-chess loads one file for each class of material. Here every class keeps the list of files
that could serve it, from the user's folders to the bundled ones. A file that turns out to be
damaged or foreign is set aside and the next one takes its place.
"""

from __future__ import annotations

import struct
import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TypeVar

import chess
import chess.syzygy

from tablebases.errors import DamagedTable, MissingTable, TableFileError
from tablebases.files import Metric, TableFile, fault
from tablebases.material import material_name, normal_name
from tablebases.values import Outcome

# What python-chess raises when it runs into the inside of a damaged file. It promises nothing
# ("probing corrupted table files is undefined behavior"), hence the broad list.
_BROKEN = (
    OSError,
    ValueError,
    LookupError,
    ArithmeticError,
    AttributeError,
    TypeError,
    RecursionError,
    MemoryError,
    struct.error,
)

_Key = tuple[Metric, str]
_T = TypeVar("_T")


class Tables(chess.syzygy.Tablebase):
    """Syzygy tables of several folders; the first sound file of a class is used.

    Probing is thread-safe under the conditions of ``chess.syzygy.Tablebase``: different board
    objects, not changed while being probed.

    Attributes:
        set_aside: the faults of files that were found broken, in order of discovery.
    """

    def __init__(self, files: Iterable[TableFile], searched: Sequence[Path]) -> None:
        super().__init__()
        self.set_aside: list[TableFileError] = []
        self._searched = tuple(searched)
        self._waiting: dict[_Key, list[Path]] = {}
        self._current: dict[_Key, Path] = {}
        self._broken: dict[_Key, TableFileError] = {}
        self._lock = threading.RLock()
        for table in files:
            self._waiting.setdefault((table.metric, table.material), []).append(table.path)
        self._largest = max((len(name) - 1 for _, name in self._waiting), default=0)

    def has(self, metric: Metric, name: str) -> bool:
        """Is there a file for this class (normal name) that is not known to be broken?"""
        key = (metric, name)
        return key in self._current or (bool(self._waiting.get(key)) and key not in self._broken)

    def probe_wdl_table(self, board: chess.Board) -> int:
        """As in python-chess, but raising the errors of this package."""
        if board.kings == board.occupied:
            return Outcome.DRAW
        key: _Key = ("wdl", normal_name(material_name(board)))
        return self._guarded(
            key,
            lambda: Outcome(super(Tables, self).probe_wdl_table(board)),
        )

    def probe_dtz_table(self, board: chess.Board, wdl: int) -> tuple[int, int]:
        """As in python-chess, but raising the errors of this package."""
        key: _Key = ("dtz", normal_name(material_name(board)))
        return self._guarded(key, lambda: super(Tables, self).probe_dtz_table(board, wdl))

    def reject_distances(self, name: str, reason: str) -> None:
        """Set the distance table in use for a class (normal name) aside.

        Raises:
            DamagedTable: naming the outcome table, if no distance table is in use.
        """
        with self._lock:
            if (path := self._current.get(("dtz", name))) is not None:
                self._set_aside(("dtz", name), DamagedTable(path, reason))
                return
            path = self._current.get(("wdl", name))
        raise DamagedTable(path or self._searched[0], reason)

    def _guarded(self, key: _Key, probe: Callable[[], _T]) -> _T:
        while True:
            path = self._open(key)
            try:
                return probe()
            except _BROKEN as error:
                fault_found = DamagedTable(
                    path, f"cannot be decoded ({type(error).__name__}: {error})"
                )
                fault_found.__cause__ = error
                with self._lock:
                    # Another thread may have replaced the file meanwhile.
                    if self._current.get(key) == path:
                        self._set_aside(key, fault_found)

    def _open(self, key: _Key) -> Path:
        """The sound-looking file in use for a class; opens the next one if need be."""
        path = self._current.get(key)
        if path is not None:
            return path
        with self._lock:
            while key not in self._current:
                waiting = self._waiting.get(key)
                if not waiting:
                    if (broken := self._broken.get(key)) is not None:
                        raise type(broken)(broken.path, broken.reason) from broken.__cause__
                    raise MissingTable(key[1], key[0], self._searched, None, self._largest)
                path = waiting.pop(0)
                if (error := fault(path)) is not None:
                    self._set_aside(key, error)
                else:
                    self.add_file(str(path))
                    self._current[key] = path
            return self._current[key]

    def _set_aside(self, key: _Key, error: TableFileError) -> None:
        with self._lock:
            self.set_aside.append(error)
            self._broken.setdefault(key, error)
            self._current.pop(key, None)


def ply_accurate(tables: Tables, board: chess.Board, wdl: Outcome) -> bool:
    """Does the distance table of this position store plies, not full moves?

    Reads the flags that python-chess keeps, without documenting them, for a table that has been
    probed (``DtzTable.flags``; one set of flags, or one for each file of the leading pawn):
    bit 0 names the side to move for which the table holds distances; bit 2 says that wins, bit 3
    that losses are stored in plies. A distance for the side that is not held comes from the
    moves of that side, hence from the other kind. False when in doubt.
    """
    try:
        table = tables.dtz[chess.syzygy.calc_key(board)]
        if not isinstance(table, chess.syzygy.DtzTable) or not table.initialized:
            return False
        flipped = (
            board.turn == chess.BLACK
            if table.symmetric
            else chess.syzygy.calc_key(board) != table.key
        )
        flags = table.flags
        if isinstance(flags, list):
            flags = flags[_pawn_file(table, board, flipped)]
        side = 0 if table.symmetric else int((board.turn == chess.BLACK) != flipped)
        held = table.symmetric or (flags & 1) == side
        stored = wdl if held else wdl.opposite
        return bool(flags & {Outcome.WIN: 4, Outcome.LOSS: 8}.get(stored, 0))
    except _BROKEN:
        return False


def _pawn_file(table: chess.syzygy.DtzTable, board: chess.Board, flipped: bool) -> int:
    """Index of the leading pawn's file as python-chess finds it; 0 for a- and h-file to 3."""
    code = table.files[0].pieces[0] ^ (8 if flipped else 0)
    colour = chess.WHITE if code >> 3 == 0 else chess.BLACK
    turn_over = 0x38 if flipped else 0
    squares = [square ^ turn_over for square in board.pieces(code & 7, colour)]
    return table.pawn_file(squares)
