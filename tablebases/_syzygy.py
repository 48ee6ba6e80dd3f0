"""The one module that imports ``chess.syzygy``: tables that name what is missing or broken.

python-chess loads one file for each class of material. Here every class keeps the list of files
that could serve it, the bundled one first. A file that turns out to be damaged or foreign is set
aside and the next one takes its place. A file of the user's answers nothing before it has been
tried.
"""

from __future__ import annotations

import struct
import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import chess
import chess.syzygy

from tablebases.errors import DamagedTable, MissingTable, TableFileError
from tablebases.files import Metric, TableFile, fault
from tablebases.material import material_name, normal_name, placement
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

Trial = Callable[[TableFile], str | None]
"""Tries a file that has been opened: what is wrong with it, in one phrase, or None."""

# The widest stretch of positions for one entry of the index, as a power of two. 2^20 is the widest
# in the tables of up to four men; a damaged number beyond would make a single question endless.
_WIDEST_STRETCH = 26
_BLOCK = 64
_MOST_ANSWERS: Final = 50_000
"""Answers of the tables held in memory, some 24 MB; then all are let go."""


class Tables(chess.syzygy.Tablebase):
    """Syzygy tables of several folders; the first sound file of a class is used.

    Args:
        files: the files, in the order in which to use them.
        searched: the folders searched, for messages.
        trial: called once with each file of the user's when it is first needed. It may ask these
            tables; they use the file then, but for the thread of the trial only.

    Probing is thread-safe under the conditions of ``chess.syzygy.Tablebase``: different board
    objects, not changed while being probed.

    Attributes:
        set_aside: the faults of files that were found broken, in order of discovery.
    """

    def __init__(
        self,
        files: Iterable[TableFile],
        searched: Sequence[Path],
        trial: Trial | None = None,
    ) -> None:
        super().__init__()
        self._trial = trial
        self.set_aside: list[TableFileError] = []
        self._searched = tuple(searched)
        self._waiting: dict[_Key, list[TableFile]] = {}
        self._current: dict[_Key, Path] = {}
        self._on_trial: dict[_Key, Path] = {}
        self._broken: dict[_Key, TableFileError] = {}
        self._lock = threading.RLock()
        self._answers: dict[tuple[Path, tuple[int, ...]], Any] = {}
        for table in files:
            self._waiting.setdefault((table.metric, table.material), []).append(table)
        self._largest = max((len(name) - 1 for _, name in self._waiting), default=0)

    def has(self, metric: Metric, name: str) -> bool:
        """Is there a file for this class (normal name) that is not known to be broken?

        A file of the user's is tried first; the bundled ones are not even opened.
        """
        key = (metric, name)
        if key in self._current:
            return True
        with self._lock:
            waiting = self._waiting.get(key)
            if not waiting:
                return key in self._current or key in self._on_trial
            if key in self._broken or (self._trial is not None and waiting[0].origin == "user"):
                try:
                    self._open(key)
                except (TableFileError, MissingTable):
                    return False
            return True

    def require(self, metric: Metric, name: str) -> None:
        """Open the file for a class (normal name), and try it if it is the user's.

        Raises:
            MissingTable, DamagedTable, ForeignFile: if there is no sound one.
        """
        self._open((metric, name))

    def holds_distance(self, board: chess.Board, wdl: int) -> bool:
        """Does the distance table itself answer for the side to move?

        It holds one side only; distances of the other are worked out from its moves.

        Raises:
            The errors of ``probe_dtz_table``.
        """
        return self.probe_dtz_table(board, wdl)[1] >= 0

    def probe_wdl_table(self, board: chess.Board) -> int:
        """As in python-chess, but raising the errors of this package."""
        if board.kings == board.occupied:
            return Outcome.DRAW
        key: _Key = ("wdl", normal_name(material_name(board)))
        return self._guarded(
            key,
            (*placement(board), board.turn),
            lambda: Outcome(super(Tables, self).probe_wdl_table(board)),
        )

    def probe_dtz_table(self, board: chess.Board, wdl: int) -> tuple[int, int]:
        """As in python-chess, but raising the errors of this package."""
        key: _Key = ("dtz", normal_name(material_name(board)))
        asked = (*placement(board), board.turn, wdl)
        return self._guarded(key, asked, lambda: super(Tables, self).probe_dtz_table(board, wdl))

    def reject_distances(self, name: str, reason: str) -> None:
        """Set the distance table in use for a class (normal name) aside.

        Raises:
            DamagedTable: naming the outcome table, if no distance table is in use; naming the
                distance table, if that is on trial.
        """
        with self._lock:
            if (path := self._current.get(("dtz", name))) is not None:
                self._set_aside(("dtz", name), DamagedTable(path, reason))
                return
            path = self._on_trial.get(("dtz", name)) or self._current.get(("wdl", name))
        raise DamagedTable(path or self._searched[0], reason)

    def _guarded(self, key: _Key, asked: tuple[int, ...], probe: Callable[[], _T]) -> _T:
        """What a table says, from memory where the same was asked of the same file before.

        To unpack a block of a distance table takes python-chess a millisecond, and what is told of
        a position and of its moves asks for the same few positions again and again.
        """
        while True:
            path = self._open(key)
            answers = self._answers
            known: _T | None = answers.get((path, asked))
            if known is not None:
                return known
            try:
                answer = probe()
                if self._current.get(key) == path:
                    if len(answers) >= _MOST_ANSWERS:
                        self._answers = answers = {}
                    answers[path, asked] = answer
                return answer
            except _BROKEN as error:
                fault_found = _undecodable(path, error)
                with self._lock:
                    if self._on_trial.get(key) == path:
                        raise fault_found from error
                    # Another thread may have replaced the file meanwhile.
                    if self._current.get(key) == path:
                        self._set_aside(key, fault_found)

    def _open(self, key: _Key) -> Path:
        """The sound-looking file in use for a class; opens and tries the next one if need be."""
        path = self._current.get(key)
        if path is not None:
            return path
        with self._lock:
            # Only the thread of the trial comes here while a file is on trial.
            while (path := self._current.get(key) or self._on_trial.get(key)) is None:
                waiting = self._waiting.get(key)
                if not waiting:
                    if (broken := self._broken.get(key)) is not None:
                        raise type(broken)(broken.path, broken.reason) from broken.__cause__
                    raise MissingTable(key[1], key[0], self._searched, None, self._largest)
                self._take(key, waiting.pop(0))
            return path

    def _take(self, key: _Key, file: TableFile) -> None:
        """Put a file to use, or set it aside."""
        error = fault(file.path)
        if error is None:
            self.add_file(str(file.path))
            if self._trial is not None and file.origin == "user":
                self._on_trial[key] = file.path
                try:
                    error = self._inside(key, file.path)
                    if error is None and (reason := self._trial(file)) is not None:
                        error = DamagedTable(file.path, reason)
                finally:
                    del self._on_trial[key]
        if error is not None:
            self._set_aside(key, error)
        else:
            self._current[key] = file.path

    def _inside(self, key: _Key, path: Path) -> DamagedTable | None:
        """Do the parts of a file that has just been added fill it, and can they be read?"""
        metric, name = key
        table = (self.wdl if metric == "wdl" else self.dtz)[name]
        try:
            if isinstance(table, chess.syzygy.WdlTable):
                table.init_table_wdl()
            elif isinstance(table, chess.syzygy.DtzTable):
                table.init_table_dtz()
            end, stretch = _extent(table)
            size = path.stat().st_size
        except _BROKEN as error:
            return _undecodable(path, error)
        if -(-end // _BLOCK) * _BLOCK != size - size % _BLOCK or stretch > _WIDEST_STRETCH:
            return DamagedTable(path, "its parts do not fill the file")
        return None

    def _set_aside(self, key: _Key, error: TableFileError) -> None:
        with self._lock:
            self.set_aside.append(error)
            self._broken.setdefault(key, error)
            self._current.pop(key, None)


def _undecodable(path: Path, error: BaseException) -> DamagedTable:
    found = DamagedTable(path, f"cannot be decoded ({type(error).__name__}: {error})")
    found.__cause__ = error
    return found


def _extent(table: chess.syzygy.Table) -> tuple[int, int]:
    """Where the last part of an opened table ends, and its widest stretch for an index entry.

    Reads what python-chess keeps, without documenting it, of a table that has been opened.
    """
    if isinstance(table, chess.syzygy.WdlTable):
        if table.has_pawns:
            parts = {
                6 * number + 3 * side: part
                for number, file in enumerate(table.files)
                for side, part in file.precomp.items()
            }
        else:
            parts = {3 * side: part for side, part in table.precomp.items()}
    elif isinstance(table, chess.syzygy.DtzTable):
        if table.has_pawns:
            parts = {
                3 * number: file.precomp
                for number, file in enumerate(table.files[: len(table.map_idx)])
            }
        else:
            parts = {0: table.precomp}
    end = max(part.data + table.size[at + 2] for at, part in parts.items())
    return end, max(part.idxbits for part in parts.values())


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
