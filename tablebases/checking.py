"""Checking table files thoroughly: against sums where there are any, otherwise by their content."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tablebases.errors import DamagedTable, ForeignFile
from tablebases.files import (
    CheckResult,
    bundled_folder,
    fault,
    find_tables,
    name_problem,
    table_paths,
)

if TYPE_CHECKING:
    from tablebases.trial import Source

__all__ = ["POSITIONS", "SUMS_NAMES", "check_folder"]

POSITIONS: Final = 500
"""Positions drawn for each outcome table; a quarter of them for each distance table."""

SUMS_NAMES: Final = ("SHA256SUMS", "SHA512SUMS", "SHA1SUMS", "MD5SUMS")
"""Names of lists of sums, in the order in which they are looked for."""

# Distances cost ten times as much: each move is followed by another one.
_FOR_ONE_DISTANCE: Final = 4
_ALGORITHM: Final = {32: "md5", 40: "sha1", 64: "sha256", 128: "sha512"}


@dataclass(frozen=True)
class _Sums:
    """A list of sums: its name, and name of a file to digest."""

    name: str
    digests: dict[str, str]


def check_folder(
    folder: Path | str,
    *,
    positions: int = POSITIONS,
    folders: Sequence[Path | str] = (),
    judges: Sequence[Source] = (),
    tell: Callable[[Path, float], None] | None = None,
) -> list[CheckResult]:
    """Check every table file of a folder, and every file that its list of sums names.

    Of each table file name, size, magic number and lists of men are looked at. If the folder
    has a list of sums (``SUMS_NAMES``, in the format of ``sha256sum``) that names the file, the
    file must have that sum. Otherwise the sum at its own end must fit its bytes
    (``tablebases.seal``); a file of a built-in class must equal the built-in one, or else agree
    with it; and ``positions`` positions are held against their moves (``tablebases.trial``).
    Reads every file to the end. A result says what was verified.

    Args:
        folder: where the files lie.
        positions: how many to draw for an outcome table; a quarter for a distance table. 0: none.
        folders: where smaller tables may lie as well.
        judges: others that know some classes; a table must agree with them.
        tell: hears which file is looked at and the share done of it, 0 to 1.

    Raises:
        NoSuchFolder: if the folder, or one of ``folders``, does not exist.
        ForeignFile: if the list of sums is not in the format of ``sha256sum``.
    """
    folder = Path(folder)
    paths = [path for path, _ in table_paths(folder)]
    sums = _read_sums(folder)
    listed = [folder / name for name in sums.digests]
    results = []
    for path in sorted({*paths, *listed}):
        say = None if tell is None else _for_file(tell, path)
        try:
            verified = _verified(path, path in paths, sums, positions, folders, judges, say)
            results.append(CheckResult(path, True, None, verified))
        except (DamagedTable, ForeignFile) as error:
            results.append(CheckResult(path, False, error.reason))
    return results


def _for_file(tell: Callable[[Path, float], None], path: Path) -> Callable[[float], None]:
    return lambda share: tell(path, share)


def _verified(
    path: Path,
    is_table: bool,
    sums: _Sums,
    positions: int,
    folders: Sequence[Path | str],
    judges: Sequence[Source],
    tell: Callable[[float], None] | None,
) -> tuple[str, ...]:
    """What holds of a file.

    Raises:
        DamagedTable, ForeignFile: saying what is wrong with it.
    """
    digest = sums.digests.get(path.name)
    if not path.is_file():
        raise DamagedTable(path, f"listed in {sums.name} but missing" if digest else "not a file")
    if is_table:
        if problem := name_problem(path.stem):
            raise ForeignFile(path, problem)
        if error := fault(path):
            raise error
    if digest is not None:
        if _digest(path, digest) != digest:
            raise DamagedTable(path, f"checksum differs from the one in {sums.name}")
        return (f"sum in {sums.name}",)
    from tablebases.seal import PART, SEAL, seal_problem

    problem = seal_problem(path, tell)
    of_one_part = path.stat().st_size <= PART + SEAL
    if problem and of_one_part:
        raise DamagedTable(path, problem)
    # How the sum of a longer file is made up was never tried: only that it fits says something.
    own = "its own sum not understood" if problem else "sum at its end"
    return (own, *_content_verified(path, positions, folders, judges, tell))


def _content_verified(
    path: Path,
    positions: int,
    folders: Sequence[Path | str],
    judges: Sequence[Source],
    tell: Callable[[float], None] | None,
) -> tuple[str, ...]:
    """What the content of a file was held against, with what came of it.

    Raises:
        DamagedTable: naming the first contradiction.
    """
    builtin = bundled_folder() / path.name
    if builtin.is_file() and builtin.read_bytes() == path.read_bytes():
        return ("equal to the built-in table",)
    if not positions:
        return ()
    from tablebases.probing import SyzygyProber, try_file

    table = next(file for file in find_tables([path.parent], bundled=False) if file.path == path)
    if table.metric == "dtz":
        positions = -(-positions // _FOR_ONE_DISTANCE)
    with SyzygyProber() as known:
        tried = try_file(
            table, positions, [path.parent, *folders], judges=[known, *judges], tell=tell
        )
    if tried.fault is not None:
        raise DamagedTable(path, tried.fault)
    if not tried.compared:
        return ("no position to compare",)
    return (f"{tried.compared:,} positions against their moves",)


def _read_sums(folder: Path) -> _Sums:
    """The list of sums of a folder; empty if there is none."""
    path = next((folder / name for name in SUMS_NAMES if (folder / name).is_file()), None)
    if path is None:
        return _Sums("", {})
    digests = {}
    # Names need not be UTF-8; digests are ASCII in any encoding.
    text = path.read_bytes().decode("utf-8", errors="surrogateescape")
    for number, line in enumerate(text.splitlines(), 1):
        digest, _, name = line.partition(" ")
        name = name.removeprefix(" ").removeprefix("*")
        hexadecimal = all(letter in "0123456789abcdefABCDEF" for letter in digest)
        if len(digest) not in _ALGORITHM or not hexadecimal or not name or Path(name).name != name:
            raise ForeignFile(path, f"line {number} is not in the format of sha256sum")
        digests[name] = digest.lower()
    return _Sums(path.name, digests)


def _digest(path: Path, like: str) -> str:
    """The digest of a file by the algorithm that gives as many digits as ``like`` has."""
    import hashlib

    with path.open("rb") as file:
        return hashlib.file_digest(file, _ALGORITHM[len(like)]).hexdigest()
