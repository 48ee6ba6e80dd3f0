"""Finding, checking and listing Syzygy table files.

A table is a pair of files named after its material in normal form: ``KRPvKN.rtbw`` holds win,
draw or loss (metric "wdl"), ``KRPvKN.rtbz`` the distance to zeroing (metric "dtz"). The facts
about the format used here (magic numbers, sizes, where the list of men stands) are those on
which ``chess.syzygy`` of python-chess relies.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final, Literal

import chess

from tablebases.errors import DamagedTable, ForeignFile, NoSuchFolder
from tablebases.material import (
    BARE_KINGS,
    after_captures,
    after_promotion,
    is_material_name,
    material_name,
    men,
    normal_name,
)

__all__ = [
    "MOST_MEN",
    "CheckResult",
    "Metric",
    "Origin",
    "TableFile",
    "bundled_folder",
    "fault",
    "find_tables",
    "missing_for",
    "name_problem",
    "needed_files",
    "table_paths",
]

Metric = Literal["wdl", "dtz"]
Origin = Literal["bundled", "user"]

MOST_MEN: Final = 7
"""Most men, kings included, in a table of the Syzygy format."""

_METRIC_OF_SUFFIX: Final[Mapping[str, Metric]] = {".rtbw": "wdl", ".rtbz": "dtz"}
_MAGIC: Final[Mapping[Metric, bytes]] = {
    "wdl": b"\x71\xe8\x23\x5d",
    "dtz": b"\xd7\x66\x0c\xa5",
}
# Every file is a number of 64-byte blocks and a 16-byte checksum.
_BLOCK, _REST = 64, 16
# In the list of men a white pawn is 1 and a white king 6; 8 is added for black.
_LETTER_OF_CODE: Final = " PNBRQK"
_LIST_OFFSET = 5


@dataclass(frozen=True)
class TableFile:
    """One table file.

    Attributes:
        material: normal name of its material, e.g. "KRPvKN".
        metric: "wdl" or "dtz".
        path: where it lies.
        bytes: its size.
        origin: "bundled" (shipped with the package) or "user".
    """

    material: str
    metric: Metric
    path: Path
    bytes: int
    origin: Origin


@dataclass(frozen=True)
class CheckResult:
    """What a check found out about one file.

    Attributes:
        path: the file.
        ok: True if nothing is wrong with it.
        problem: what is wrong with it, in one phrase; None if ok.
        verified: what was held against what, one phrase each; empty if nothing could be.
    """

    path: Path
    ok: bool
    problem: str | None = None
    verified: tuple[str, ...] = ()


def bundled_folder() -> Path:
    """The folder with the tables shipped with the package: all material of 3 and 4 men."""
    return Path(__file__).resolve().parent / "bundled"


def find_tables(folders: Sequence[Path | str] = (), *, bundled: bool = True) -> list[TableFile]:
    """List the table files of some folders, in the order in which they are to be searched.

    The bundled tables come first: nothing that lies in a folder of the user's can take their
    place. The user's folders follow, in the order given. A folder named twice is listed once.
    Subfolders are not searched. Files are recognised by name alone; ``check_folder`` looks inside.

    Args:
        folders: the user's folders.
        bundled: also list the tables shipped with the package.

    Raises:
        NoSuchFolder: if one of the folders does not exist.
    """
    wanted = ([bundled_folder()] if bundled else []) + [Path(folder) for folder in folders]
    distinct: dict[str, Path] = {}
    for folder in wanted:
        distinct.setdefault(os.path.realpath(folder), folder)
    return [table for folder in distinct.values() for table in _tables_in(folder)]


def _tables_in(folder: Path) -> Iterator[TableFile]:
    origin: Origin = "bundled" if os.path.realpath(folder) == str(bundled_folder()) else "user"
    for path, metric in table_paths(folder):
        if name_problem(path.stem) is None and path.is_file():
            yield TableFile(path.stem, metric, path, path.stat().st_size, origin)


def table_paths(folder: Path) -> list[tuple[Path, Metric]]:
    """Everything with the ending of a table file, sorted by name.

    Raises:
        NoSuchFolder: if the folder does not exist.
    """
    try:
        names = sorted(os.listdir(folder))
    except (FileNotFoundError, NotADirectoryError) as error:
        raise NoSuchFolder(folder) from error
    return [
        (folder / name, _METRIC_OF_SUFFIX[suffix])
        for name in names
        if (suffix := Path(name).suffix) in _METRIC_OF_SUFFIX
    ]


def name_problem(name: str) -> str | None:
    """Why a file of this name (without its ending) is not looked for, in one phrase, or None."""
    if not is_material_name(name) or name == BARE_KINGS:
        return f"{name} is not the name of a table"
    if men(name) > MOST_MEN:
        return f"{name} has {men(name)} men; tables go up to {MOST_MEN}"
    if normal_name(name) != name:
        return f"{name} is looked for under the name {normal_name(name)}"
    return None


@cache
def needed_files(name: str) -> tuple[tuple[str, Metric], ...]:
    """The table files that answering for a class of material may need: (name, metric) pairs.

    Its own pair of files comes first. The win/draw/loss tables of all material that captures lead
    to follow: a table may hold anything for a position whose best move is a capture, so captures
    are always tried. For the distance the promotions are tried too, and the captures after them.
    No distance table but its own is needed: after a zeroing move only the outcome counts.

    Raises:
        ValueError: if ``name`` is not a material name.

    >>> needed_files("KRvK")
    (('KRvK', 'wdl'), ('KRvK', 'dtz'))
    """
    own = normal_name(name)
    if own == BARE_KINGS:
        return ()
    promoted = after_promotion(own)
    others = dict.fromkeys(
        [
            *after_captures(own),
            *promoted,
            *(after for start in promoted for after in after_captures(start)),
        ]
    )
    return ((own, "wdl"), (own, "dtz"), *((other, "wdl") for other in others))


def missing_for(board: chess.Board, files: Iterable[TableFile]) -> tuple[str, ...]:
    """Normal names of the classes that a full answer for this position needs and ``files`` lack.

    The class of the position counts as missing if either of its two files is; of the smaller
    classes only the win/draw/loss table is needed (see ``needed_files``). Castling rights and
    the legality of the position are not looked at, nor whether more men are on the board than
    tables can hold.
    """
    present = {(table.material, table.metric) for table in files}
    needed = needed_files(material_name(board))
    return tuple(dict.fromkeys(name for name, metric in needed if (name, metric) not in present))


def fault(path: Path) -> DamagedTable | ForeignFile | None:
    """Look at the outside of a table file: size, magic number, list of men.

    Reads less than fifty bytes. Every list of men must hold the same men: python-chess would look
    for one that is not on the board without end. Damage further inside is told by the seal
    (``tablebases.seal``) or by the content (``tablebases.trial``).

    Args:
        path: a file named like a table, in normal form.

    Returns:
        The error that describes the fault (not raised), or None.
    """
    metric = _METRIC_OF_SUFFIX[path.suffix]
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(_LIST_OFFSET + 4 * (2 + MOST_MEN))
    except OSError as error:
        return DamagedTable(path, f"cannot be read ({error.strerror})")
    magic = head[:4]
    if not magic:
        return DamagedTable(path, "empty file")
    if magic != _MAGIC[metric]:
        other = next((other for other, value in _MAGIC.items() if value == magic), None)
        return ForeignFile(
            path,
            f"holds a {other.upper()} table, not a {metric.upper()} table"
            if other
            else "not a Syzygy table (wrong magic number)",
        )
    if size % _BLOCK != _REST or len(head) < _LIST_OFFSET + 2 + men(path.stem):
        return DamagedTable(
            path,
            f"cut short or changed: {size} bytes are not {_REST} more than a multiple of {_BLOCK}",
        )
    lists = _lists_of_men(head, path.stem, metric)
    held = _material_in(lists[0])
    if held is None:
        return DamagedTable(path, "the list of men in the file is broken")
    if held != path.stem:
        return ForeignFile(path, f"holds {held}, not {path.stem}")
    if any(sorted(codes) != sorted(lists[0]) for codes in lists):
        return DamagedTable(path, "the lists of men in the file differ")
    return None


def _lists_of_men(head: bytes, name: str, metric: Metric) -> list[list[int]]:
    """The lists of men that the head of a file holds, as codes.

    One for each file of the leading pawn (a- and h-file to d- and e-file), or a single one
    without pawns; in an outcome table one more each, for the other side to move.
    """
    white, black = name.split("v")
    # One byte for the order of the men, two where both sides have pawns.
    before = 2 if "P" in white and "P" in black else 1
    lists = []
    for number in range(4 if "P" in name else 1):
        start = _LIST_OFFSET + number * (before + men(name)) + before
        listed = head[start : start + men(name)]
        lists.append([byte & 0x0F for byte in listed])
        if metric == "wdl":
            lists.append([byte >> 4 for byte in listed])
    return lists


def _material_in(codes: list[int]) -> str | None:
    """Normal name of the material that a list of men holds, or None if there is none such."""
    if any(not 1 <= code & 7 <= 6 for code in codes):
        return None
    sides = [
        "".join(sorted(_LETTER_OF_CODE[code & 7] for code in codes if code >> 3 == side))
        for side in (0, 1)
    ]
    if any(side.count("K") != 1 for side in sides):
        return None
    return normal_name("v".join("K" + side.replace("K", "") for side in sides))
