"""Finding, checking and listing Syzygy table files.

A table is a pair of files named after its material in normal form: ``KRPvKN.rtbw`` holds win,
draw or loss (metric "wdl"), ``KRPvKN.rtbz`` the distance to zeroing (metric "dtz"). The facts
about the format used here (magic numbers, sizes, where the list of men stands) are those on
which ``chess.syzygy`` of python-chess relies.
"""

from __future__ import annotations

import hashlib
import os
import re
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
    "check_folder",
    "fault",
    "find_tables",
    "missing_for",
    "needed_files",
]

Metric = Literal["wdl", "dtz"]
Origin = Literal["bundled", "user"]

MOST_MEN: Final = 7
"""Most men, kings included, in a table of the Syzygy format."""

SUMS_NAME: Final = "SHA256SUMS"
_DIGEST: Final = re.compile(r"[0-9A-Fa-f]{64}")

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
    """

    path: Path
    ok: bool
    problem: str | None = None


def bundled_folder() -> Path:
    """The folder with the tables shipped with the package: all material of 3 and 4 men."""
    return Path(__file__).resolve().parent / "bundled"


def find_tables(folders: Sequence[Path | str] = (), *, bundled: bool = True) -> list[TableFile]:
    """List the table files of some folders, in the order in which they are to be searched.

    The user's folders come first, in the order given; the bundled tables come last. A folder
    named twice is listed once. Subfolders are not searched. Files are recognised by name alone;
    ``check_folder`` looks inside.

    Args:
        folders: the user's folders.
        bundled: also list the tables shipped with the package.

    Raises:
        NoSuchFolder: if one of the folders does not exist.
    """
    wanted = [Path(folder) for folder in folders] + ([bundled_folder()] if bundled else [])
    distinct: dict[str, Path] = {}
    for folder in wanted:
        distinct.setdefault(os.path.realpath(folder), folder)
    return [table for folder in distinct.values() for table in _tables_in(folder)]


def _tables_in(folder: Path) -> Iterator[TableFile]:
    origin: Origin = "bundled" if os.path.realpath(folder) == str(bundled_folder()) else "user"
    for path, metric in _table_paths(folder):
        if _name_problem(path.stem) is None and path.is_file():
            yield TableFile(path.stem, metric, path, path.stat().st_size, origin)


def _table_paths(folder: Path) -> list[tuple[Path, Metric]]:
    """Everything with the ending of a table file, sorted by name."""
    try:
        names = sorted(os.listdir(folder))
    except (FileNotFoundError, NotADirectoryError) as error:
        raise NoSuchFolder(folder) from error
    return [
        (folder / name, _METRIC_OF_SUFFIX[suffix])
        for name in names
        if (suffix := Path(name).suffix) in _METRIC_OF_SUFFIX
    ]


def _name_problem(name: str) -> str | None:
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

    Reads less than twenty bytes. Damage further inside can only be told by a checksum
    (``check_folder``).

    Args:
        path: a file named like a table, in normal form.

    Returns:
        The error that describes the fault (not raised), or None.
    """
    metric = _METRIC_OF_SUFFIX[path.suffix]
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(_LIST_OFFSET + 2 + MOST_MEN)
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
    held = _material_in(head, path.stem)
    if held is None:
        return DamagedTable(path, "the list of men in the file is broken")
    if held != path.stem:
        return ForeignFile(path, f"holds {held}, not {path.stem}")
    return None


def _material_in(head: bytes, name: str) -> str | None:
    """Normal name of the material that the file lists, or None if there is no such material."""
    white, black = name.split("v")
    # One byte for the order of the men, two where both sides have pawns.
    start = _LIST_OFFSET + (2 if "P" in white and "P" in black else 1)
    codes = [byte & 0x0F for byte in head[start : start + men(name)]]
    if any(not 1 <= code & 7 <= 6 for code in codes):
        return None
    sides = [
        "".join(sorted(_LETTER_OF_CODE[code & 7] for code in codes if code >> 3 == side))
        for side in (0, 1)
    ]
    if any(side.count("K") != 1 for side in sides):
        return None
    return normal_name("v".join("K" + side.replace("K", "") for side in sides))


def check_folder(folder: Path | str) -> list[CheckResult]:
    """Check every table file of a folder, and every file that its ``SHA256SUMS`` lists.

    A file is ok if its name is that of a table in normal form, its size and magic number are
    right, it lists the men that its name promises, and its checksum is the one on the list, if
    there is a list (in the format of ``sha256sum``). Reads every listed file to the end.

    Raises:
        NoSuchFolder: if the folder does not exist.
        ForeignFile: if the list of checksums is not in the format of ``sha256sum``.
    """
    folder = Path(folder)
    paths = [path for path, _ in _table_paths(folder)]
    sums = _read_sums(folder / SUMS_NAME)
    listed = [folder / name for name in sums]
    results = []
    for path in sorted({*paths, *listed}):
        problem = _problem(path, is_table=path in paths, digest=sums.get(path.name))
        if problem is None and sums and path.name not in sums:
            problem = f"not listed in {SUMS_NAME}"
        results.append(CheckResult(path, problem is None, problem))
    return results


def _problem(path: Path, *, is_table: bool, digest: str | None) -> str | None:
    if not path.is_file():
        return f"listed in {SUMS_NAME} but missing" if digest else "not a file"
    if is_table:
        if problem := _name_problem(path.stem):
            return problem
        if error := fault(path):
            return error.reason
    if digest is not None and _sha256(path) != digest:
        return f"checksum differs from the one in {SUMS_NAME}"
    return None


def _read_sums(path: Path) -> dict[str, str]:
    """File name to digest; empty if there is no list."""
    if not path.is_file():
        return {}
    sums = {}
    # Names of files are bytes; those that are not UTF-8 are names all the same.
    text = path.read_text(encoding="utf-8", errors="surrogateescape")
    for number, line in enumerate(text.splitlines(), 1):
        digest, _, name = line.partition(" ")
        name = name.removeprefix(" ").removeprefix("*")
        if not _DIGEST.fullmatch(digest) or not name or Path(name).name != name:
            raise ForeignFile(path, f"line {number} is not in the format of sha256sum")
        sums[name] = digest.lower()
    return sums


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
