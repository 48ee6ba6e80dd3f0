"""Errors of the table package. Every one carries its data as attributes and prints as one line.

::

    TablebaseError
    ├── MissingTable        no table for this material in the folders searched
    ├── TooManyMen          more men than any table of the format holds
    ├── CastlingRights      the tables hold no position in which castling is possible
    ├── IllegalPosition     the position cannot arise, or belongs to a variant
    ├── TableFileError      a file is not what its name says (never raised itself)
    │   ├── DamagedTable    a table, but cut short or changed
    │   └── ForeignFile     not this table: other material, other metric, or no table at all
    ├── NoSuchFolder        a folder named by the user does not exist
    └── Contradiction       two proofs of one position exclude each other
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

__all__ = [
    "CastlingRights",
    "Contradiction",
    "DamagedTable",
    "ForeignFile",
    "IllegalPosition",
    "MissingTable",
    "NoSuchFolder",
    "TableFileError",
    "TablebaseError",
    "TooManyMen",
]


class TablebaseError(Exception):
    """Base of all errors raised by the table package."""


class MissingTable(TablebaseError):
    """No table for this material in the folders searched.

    Attributes:
        material: normal name of the class that has no table.
        metric: "wdl" or "dtz".
        searched: the folders searched, in order.
        needed_for: name of the class that was asked about, where ``material`` is a smaller class
            that a capture or promotion leads to; else None.
        largest: most men in any table found there, or 0 if no table was found; None if unknown.
    """

    def __init__(
        self,
        material: str,
        metric: str,
        searched: Sequence[Path],
        needed_for: str | None = None,
        largest: int | None = None,
    ) -> None:
        super().__init__(material, metric, searched, needed_for, largest)
        self.material = material
        self.metric = metric
        self.searched = tuple(searched)
        self.needed_for = needed_for
        self.largest = largest

    def __str__(self) -> str:
        needed = f", needed for {self.needed_for}" if self.needed_for else ""
        if self.largest == 0:
            found = "; no table at all there"
        elif self.largest is not None and self.largest < len(self.material) - 1:
            found = f"; the largest class there has {self.largest} men"
        else:
            found = ""
        where = ", ".join(map(str, self.searched)) or "no folder"
        return (
            f"no {self.metric.upper()} table for {self.material}{needed} (searched: {where}{found})"
        )


class TooManyMen(TablebaseError):
    """More men on the board than any table of the format holds.

    Attributes:
        material: name of the material on the board.
        men: number of men on the board, kings included.
        limit: most men in a table of the format.
    """

    def __init__(self, material: str, men: int, limit: int) -> None:
        super().__init__(material, men, limit)
        self.material = material
        self.men = men
        self.limit = limit

    def __str__(self) -> str:
        return f"{self.material} has {self.men} men; tables go up to {self.limit}"


class CastlingRights(TablebaseError):
    """A side may still castle; the tables hold no such position.

    Attributes:
        fen: the position.
    """

    def __init__(self, fen: str) -> None:
        super().__init__(fen)
        self.fen = fen

    def __str__(self) -> str:
        return f"tables hold no position with castling rights: {self.fen}"


class IllegalPosition(TablebaseError):
    """The position cannot arise by the Laws of Chess, or belongs to a variant.

    Attributes:
        reasons: what is wrong with it, one phrase each.
        fen: the position.
    """

    def __init__(self, reasons: Sequence[str], fen: str = "") -> None:
        super().__init__(reasons, fen)
        self.reasons = tuple(reasons)
        self.fen = fen

    def __str__(self) -> str:
        where = f": {self.fen}" if self.fen else ""
        return f"illegal position ({'; '.join(self.reasons)}){where}"


class TableFileError(TablebaseError):
    """A file is not what its name says.

    Attributes:
        path: the file.
        reason: what is wrong with it.
    """

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(path, reason)
        self.path = path
        self.reason = reason

    def __str__(self) -> str:
        return f"{self.path}: {self.reason}"


class DamagedTable(TableFileError):
    """A table file that was cut short or changed."""


class ForeignFile(TableFileError):
    """A file that is not the table its name says."""


class NoSuchFolder(TablebaseError):
    """A folder named by the user does not exist or is not a folder.

    Attributes:
        path: the folder as named.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return f"no such folder: {self.path}"


class Contradiction(TablebaseError):
    """Two proofs of one position exclude each other: one of them is wrong.

    Attributes:
        fen: the position.
        judges: what the two proofs rest on, in words.
        claims: what each of them says, in the same order.
    """

    def __init__(self, fen: str, judges: tuple[str, str], claims: tuple[str, str]) -> None:
        super().__init__(fen, judges, claims)
        self.fen = fen
        self.judges = judges
        self.claims = claims

    def __str__(self) -> str:
        said = "; ".join(
            f"{judge}: {claim}" for judge, claim in zip(self.judges, self.claims, strict=True)
        )
        return f"contradiction about {self.fen} ({said}); please report it"
