"""Asking tables: what is this position worth, and how far is the next zeroing move?

A ``Prober`` answers for the side to move. ``SyzygyProber`` reads Syzygy tables through
python-chess; the one in `tablebases.chain` asks several in turn. The names say what is assumed:

* ``wdl_after_zeroing`` takes the halfmove clock to be 0, as the win/draw/loss tables do;
* ``outcome`` honours the clock of the board, and reads a distance only when that matters.

Probing is thread-safe if every thread uses board objects of its own.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Final, Protocol, Self, runtime_checkable

import chess

from tablebases.errors import (
    CastlingRights,
    IllegalPosition,
    MissingTable,
    NoSuchFolder,
    TablebaseError,
    TableFileError,
    TooManyMen,
)
from tablebases.files import (
    MOST_MEN,
    CheckResult,
    TableFile,
    bundled_folder,
    find_tables,
)
from tablebases.longest import LONGEST_WIN
from tablebases.material import BARE_KINGS, material_name, normal_name
from tablebases.values import (
    CLAIM_PLIES,
    Answer,
    Distance,
    Outcome,
    outcome_under_clock,
)

if TYPE_CHECKING:
    from tablebases._syzygy import Tables
    from tablebases.trial import Source, TrialResult

__all__ = [
    "ProbeCounts",
    "Prober",
    "SyzygyProber",
    "check_board",
    "open_tables",
    "try_file",
]


@runtime_checkable
class Prober(Protocol):
    """Something that knows the outcome of some positions exactly.

    All methods leave the board as it was. The outcome is that of the side to move. Every error
    raised is a ``TablebaseError``. ``tablebases.conformance.check_prober`` tests all of this.
    """

    @property
    def name(self) -> str:
        """What a report calls this prober, e.g. "Syzygy tables"."""
        ...

    def covers(self, board: chess.Board) -> bool:
        """Will ``wdl_after_zeroing`` answer for this position? Never raises; cheap."""
        ...

    def wdl_after_zeroing(self, board: chess.Board) -> Outcome:
        """Outcome with best play if the halfmove clock were 0."""
        ...

    def distance(self, board: chess.Board) -> Distance:
        """Distance to the next zeroing move or mate, in plies; the clock is not looked at."""
        ...

    def outcome(self, board: chess.Board) -> Answer:
        """Outcome with best play under the fifty-move rule and the board's halfmove clock."""
        ...

    def outcome_or_none(self, board: chess.Board) -> Answer | None:
        """As ``outcome``, but None where that would raise a ``TablebaseError``."""
        ...


@dataclass(frozen=True)
class ProbeCounts:
    """How often a prober was asked.

    Attributes:
        wdl: positions for which win/draw/loss was asked.
        dtz: positions for which the distance was asked.

    Captures and other moves that a probe looks at in passing are not counted.
    """

    wdl: int = 0
    dtz: int = 0

    def __sub__(self, before: ProbeCounts) -> ProbeCounts:
        """How often since then."""
        return ProbeCounts(self.wdl - before.wdl, self.dtz - before.dtz)


QUICK: Final = {"wdl": 32, "dtz": 8}
"""Positions compared before a file of the user's is used, if the sum at its end fits."""

UNSEALED: Final = {"wdl": 400, "dtz": 60}
"""The same for a file too large to be read to its end first."""

# What came of trials in this process, by path, size and time of change (ns).
_TRIED: Final[dict[tuple[str, int, int], str | None]] = {}

_REASONS: Final = {
    chess.STATUS_NO_WHITE_KING: "White has no king",
    chess.STATUS_NO_BLACK_KING: "Black has no king",
    chess.STATUS_TOO_MANY_KINGS: "a side has more than one king",
    chess.STATUS_TOO_MANY_WHITE_PAWNS: "White has more than eight pawns",
    chess.STATUS_TOO_MANY_BLACK_PAWNS: "Black has more than eight pawns",
    chess.STATUS_PAWNS_ON_BACKRANK: "a pawn stands on the first or last rank",
    chess.STATUS_TOO_MANY_WHITE_PIECES: "White has more than sixteen men",
    chess.STATUS_TOO_MANY_BLACK_PIECES: "Black has more than sixteen men",
    chess.STATUS_BAD_CASTLING_RIGHTS: "castling rights without king and rook in place",
    chess.STATUS_INVALID_EP_SQUARE: "the en passant square fits no double step of a pawn",
    chess.STATUS_OPPOSITE_CHECK: "the side that is not on the move is in check",
    chess.STATUS_EMPTY: "the board is empty",
    chess.STATUS_TOO_MANY_CHECKERS: "more pieces give check than one move can bring about",
    chess.STATUS_IMPOSSIBLE_CHECK: "no move can have brought about this check",
}


def check_board(board: chess.Board) -> None:
    """Refuse a position that no table of the format can hold.

    Raises:
        IllegalPosition: if the position breaks the Laws of Chess or belongs to a variant.
        CastlingRights: if a side may still castle.
        TooManyMen: if there are more men than a table can hold.
    """
    if board.uci_variant != "chess":
        raise IllegalPosition((f"variant {board.uci_variant}",), board.fen())
    if status := board.status():
        reasons = tuple(
            _REASONS.get(flag, (flag.name or "unknown").lower().replace("_", " "))
            for flag in chess.Status
            if flag and status & flag
        )
        raise IllegalPosition(reasons, board.fen())
    if board.castling_rights:
        raise CastlingRights(board.fen())
    if (count := chess.popcount(board.occupied)) > MOST_MEN:
        raise TooManyMen(normal_name(material_name(board)), count, MOST_MEN)


class SyzygyProber:
    """The bundled Syzygy tables, then those of the user's folders.

    The folders must exist when the prober is made; they are listed, and files opened, when the
    first question comes. Where several folders hold the same table, the first sound file is
    used: a damaged or foreign file is set aside (see ``problems``), and raises only if there is
    no other. For the bundled classes no other file is opened.

    A file of the user's answers nothing before it has been tried, once in a process: the sum at
    its end must fit its bytes (files of up to 16 MiB), and what it says of ``QUICK`` positions must
    follow from what it says of their moves (``UNSEALED`` positions if it is larger). Counts, no
    clock: the same files are refused everywhere.

    Args:
        folders: the user's folders, in the order in which to search.
        bundled: also use the tables shipped with the package, first.

    Raises:
        NoSuchFolder: if a folder does not exist or is not a folder.

    >>> with SyzygyProber() as prober:
    ...     answer = prober.outcome(chess.Board("8/8/5k2/8/5K2/8/4P3/8 w - - 0 1"))
    >>> answer.word
    'win'
    """

    name: str = "Syzygy tables"

    def __init__(self, folders: Sequence[Path | str] = (), *, bundled: bool = True) -> None:
        self._user_folders = tuple(Path(folder) for folder in folders)
        self._bundled = bundled
        for folder in self._user_folders:
            if not folder.is_dir():
                raise NoSuchFolder(folder)
        self._files: tuple[TableFile, ...] | None = None
        self._tables: Tables | None = None
        self._set_aside: list[TableFileError] = []
        self._wdl_count = 0
        self._dtz_count = 0
        self._lock = threading.RLock()

    @property
    def folders(self) -> tuple[Path, ...]:
        """The folders searched, in order."""
        return ((bundled_folder(),) if self._bundled else ()) + self._user_folders

    @property
    def is_built_in(self) -> bool:
        """Are its tables those that come with the program, and no others?"""
        return self._bundled and not self._user_folders

    @property
    def files(self) -> tuple[TableFile, ...]:
        """The table files found, in the order in which they are searched."""
        with self._lock:
            if self._files is None:
                self._files = tuple(find_tables(self._user_folders, bundled=self._bundled))
            return self._files

    @property
    def counts(self) -> ProbeCounts:
        """How often this prober was asked so far."""
        with self._lock:
            return ProbeCounts(self._wdl_count, self._dtz_count)

    def count_again(self, counts: ProbeCounts) -> None:
        """Count questions that another run asked and whose answers were kept."""
        with self._lock:
            self._wdl_count += counts.wdl
            self._dtz_count += counts.dtz

    @property
    def problems(self) -> tuple[CheckResult, ...]:
        """Files that were set aside so far because they are damaged or foreign."""
        with self._lock:
            found = [*self._set_aside, *(self._tables.set_aside if self._tables else ())]
        named = {error.path: error.reason for error in reversed(found)}
        return tuple(CheckResult(path, False, named[path]) for path in reversed(named))

    def close(self) -> None:
        """Close all table files. A later question opens them again."""
        with self._lock:
            if self._tables is not None:
                self._set_aside += self._tables.set_aside
                self._tables.close()
            self._tables = None
            self._files = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def covers(self, board: chess.Board) -> bool:
        """Are the win/draw/loss tables for this position and its captures at hand?

        The distance, which ``outcome`` may need when the halfmove clock is not 0, can still be
        missing. A file of the user's is opened and tried when it is first needed; others are
        not opened.
        """
        try:
            check_board(board)
            return self._captures_covered(board.copy(stack=False))
        except TablebaseError:
            return False

    def _captures_covered(self, board: chess.Board) -> bool:
        name = normal_name(material_name(board))
        if name != BARE_KINGS and not self._open().has("wdl", name):
            return False
        for move in list(board.generate_legal_captures()):
            board.push(move)
            covered = self._captures_covered(board)
            board.pop()
            if not covered:
                return False
        return True

    def wdl_after_zeroing(self, board: chess.Board) -> Outcome:
        """Outcome for the side to move if the halfmove clock were 0.

        Raises:
            IllegalPosition, CastlingRights, TooManyMen: see ``check_board``.
            MissingTable: naming the class, which may be a smaller one that a capture leads to.
            DamagedTable, ForeignFile: if the only file for a class is not what its name says.
        """
        check_board(board)
        return self._wdl(board)

    def _wdl(self, board: chess.Board) -> Outcome:
        with self._lock:
            self._wdl_count += 1
        tables = self._open()
        try:
            return Outcome(tables.probe_wdl(board))
        except MissingTable as error:
            raise self._named(error, board) from error.__cause__

    def table_dtz(self, board: chess.Board) -> int:
        """DTZ in plies exactly as the tables give it, for the side to move.

        This is what other users of the same tables see; it may be one too small (in size).
        ``distance`` says whether it is, as far as that can be told.

        Raises:
            The errors of ``wdl_after_zeroing``.
        """
        check_board(board)
        return self._dtz(board)

    def _dtz(self, board: chess.Board) -> int:
        with self._lock:
            self._dtz_count += 1
        tables = self._open()
        try:
            return tables.probe_dtz(board)
        except MissingTable as error:
            raise self._named(error, board) from error.__cause__

    def distance(self, board: chess.Board) -> Distance:
        """Distance to the next zeroing move or mate, in plies, for the side to move.

        Where the true distance follows from the table and the position it is given exactly, even
        if the table has one ply less; otherwise the table's number, marked as rounded. It follows

        * if the table stores plies;
        * at one ply: there a winning zeroing move or mate is on the board or it is not; a loser
          has nothing but zeroing moves or he has another;
        * by parity, if the losing side can make no zeroing move that still loses: then the last
          ply of the distance is the winner's, so it is odd with the winner to move, and even
          with the loser to move.

        A side that is already mated has -1, as in the tables.

        Raises:
            The errors of ``wdl_after_zeroing``.
        """
        return self._distance(board, self.wdl_after_zeroing(board))

    def _distance(self, board: chess.Board, wdl: Outcome) -> Distance:
        while not _fits(dtz := self._dtz(board), wdl):
            # A damaged file can decode to nonsense; try the next one for this class.
            reason = f"distance of {dtz} plies contradicts the outcome ({wdl.word}): {board.fen()}"
            self._open().reject_distances(normal_name(material_name(board)), reason)
        if dtz == 0:
            return Distance(dtz)
        if wdl not in (Outcome.WIN, Outcome.LOSS):
            # The outcome does not hang on it, and the reasons below are about the first phase.
            return Distance(dtz, rounded=True)
        sign = 1 if dtz > 0 else -1
        if abs(dtz) == 1:
            certain = self._zeroing_wins(board) if sign > 0 else _only_zeroing_moves(board)
            return Distance(dtz if certain else 2 * sign)
        if _loser_cannot_zero(board, loser=board.turn if sign < 0 else not board.turn):
            odd = sign > 0
            return Distance(dtz if (dtz % 2 == 1) == odd else dtz + sign)
        from tablebases._syzygy import ply_accurate

        return Distance(dtz, rounded=not ply_accurate(self._open(), board, wdl))

    def _zeroing_wins(self, board: chess.Board) -> bool:
        """Is there a winning capture or pawn move, or a mate in one?"""
        work = board.copy(stack=False)
        for move in list(work.legal_moves):
            zeroing = work.is_zeroing(move)
            work.push(move)
            if work.is_checkmate():
                return True
            if zeroing and self._open().probe_wdl(work) == Outcome.LOSS:
                return True
            work.pop()
        return False

    def outcome(self, board: chess.Board) -> Answer:
        """Outcome for the side to move under the fifty-move rule, with the board's clock.

        Asks for win/draw/loss first, and for the distance only if the position is won or lost and
        the clock is so far on that the longest win of its class might come too late
        (``tablebases.longest``). A side that is mated has lost, whatever the clock.

        Raises:
            The errors of ``wdl_after_zeroing``; MissingTable with metric "dtz" if the distance
            is needed and missing.
        """
        check_board(board)
        wdl = self._wdl(board)
        clock = board.halfmove_clock
        if clock == 0 or wdl not in (Outcome.WIN, Outcome.LOSS):
            return Answer(wdl, wdl)
        if wdl is Outcome.LOSS and board.is_checkmate():
            return Answer(wdl, wdl)
        longest = LONGEST_WIN.get(normal_name(material_name(board)))
        if longest is not None and clock + longest < CLAIM_PLIES:
            return Answer(wdl, wdl)
        distance = self._distance(board, wdl)
        return Answer(*outcome_under_clock(wdl, distance, clock), distance)

    def outcome_or_none(self, board: chess.Board) -> Answer | None:
        """As ``outcome``, but None where that would raise; ``problems`` tells of broken files."""
        try:
            return self.outcome(board)
        except TablebaseError:
            return None

    def _open(self) -> Tables:
        with self._lock:
            if self._tables is None:
                from tablebases._syzygy import Tables

                self._tables = Tables(self.files, self.folders, self._tried)
            return self._tables

    def holds_distance(self, board: chess.Board, wdl: Outcome) -> bool:
        """Is the distance of this position read from its table, not worked out from its moves?

        Raises:
            MissingTable, DamagedTable, ForeignFile: see ``wdl_after_zeroing``.
        """
        return self._open().holds_distance(board, wdl)

    def _beside(self) -> SyzygyProber:
        """A prober of the same opened tables, for trials: its questions are not counted here."""
        other = SyzygyProber(self._user_folders, bundled=self._bundled)
        other._files, other._tables = self.files, self._open()
        return other

    def _tried(self, file: TableFile) -> str | None:
        """What is wrong with a file of the user's that is to be used, or None."""
        from tablebases.seal import PART, SEAL, seal_problem
        from tablebases.trial import try_table

        try:
            state = file.path.stat()
        except OSError as error:
            return f"cannot be read ({error.strerror})"
        known = (str(file.path.absolute()), state.st_size, state.st_mtime_ns)
        if known not in _TRIED:
            sealed = state.st_size <= PART + SEAL
            reason = seal_problem(file.path) if sealed else None
            if reason is None:
                reason = try_table(
                    self._beside(),
                    file.material,
                    file.metric,
                    file.path,
                    positions=(QUICK if sealed else UNSEALED)[file.metric],
                    promotions=False,
                ).fault
            _TRIED[known] = reason
        return _TRIED[known]

    def _named(self, error: MissingTable, board: chess.Board) -> MissingTable:
        """The same error, saying for which class a smaller one is needed."""
        asked = normal_name(material_name(board))
        needed_for = asked if asked != error.material else None
        return MissingTable(error.material, error.metric, error.searched, needed_for, error.largest)


def _fits(dtz: int, wdl: Outcome) -> bool:
    """Do sign and size of a DTZ fit the outcome (table in python-chess, ``probe_dtz``)?"""
    if wdl is Outcome.DRAW:
        return dtz == 0
    plies = dtz if wdl > 0 else -dtz
    return 1 <= plies <= CLAIM_PLIES if wdl in (Outcome.WIN, Outcome.LOSS) else plies > CLAIM_PLIES


def _only_zeroing_moves(board: chess.Board) -> bool:
    """True if there is no other move; so also if the side to move is mated."""
    return all(board.is_zeroing(move) for move in board.legal_moves)


def _loser_cannot_zero(board: chess.Board, loser: chess.Color) -> bool:
    """Can this side, losing, make no capture and no pawn move after which it is still lost?

    True if it has no pawn and every capture leaves its opponent without the means to win: with
    a bare king, or with a bishop or a knight against a bare king. Depends on the material alone,
    so it stays true until the next zeroing move.
    """
    if board.pawns & board.occupied_co[loser]:
        return False
    winner_men = board.occupied_co[not loser] & ~board.kings
    if chess.popcount(winner_men) <= 1:
        return True
    loser_is_bare = not board.occupied_co[loser] & ~board.kings
    minors = board.bishops | board.knights
    # Of two men one is left after a capture; it is harmless if it is a minor piece.
    return loser_is_bare and chess.popcount(winner_men) == 2 and not winner_men & ~minors


def open_tables(folders: Sequence[Path | str] = ()) -> SyzygyProber:
    """Open the bundled tables and the user's table folders behind them.

    Raises:
        NoSuchFolder: if a folder does not exist or is not a folder.
    """
    return SyzygyProber(folders)


def try_file(
    table: TableFile,
    positions: int,
    folders: Sequence[Path | str] = (),
    *,
    judges: Sequence[Source] = (),
    tell: Callable[[float], None] | None = None,
) -> TrialResult:
    """Hold the content of one file against itself, all other tables being in their usual place.

    The file stands for its class even if that is built in. The sum at its end is not looked at.

    Args:
        table: the file.
        positions: how many to draw.
        folders: where smaller tables may lie, besides the bundled ones.
        judges: must agree with it.
        tell: hears the share done, 0 to 1.

    Raises:
        NoSuchFolder: if one of the folders does not exist.
    """
    from tablebases._syzygy import Tables
    from tablebases.trial import TrialResult, try_table

    key = (table.metric, table.material)
    with SyzygyProber(folders) as prober:
        others = [file for file in prober.files if (file.metric, file.material) != key]
        prober._tables = tables = Tables(
            [replace(table, origin="user"), *others],
            prober.folders,
            lambda file: None if file.path == table.path else prober._tried(file),
        )
        try:
            tables.require(*key)
        except TableFileError as error:
            return TrialResult(0, error.reason)
        return try_table(
            prober,
            table.material,
            table.metric,
            table.path,
            positions=positions,
            judges=judges,
            tell=tell,
        )
