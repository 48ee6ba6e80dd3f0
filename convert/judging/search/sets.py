"""The exact sets that a search is handed: made from the solver's classes, kept on disk."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations_with_replacement
from pathlib import Path
from typing import Any, Final

import chess
import numpy as np
import numpy.typing as npt

from convert.judging.search.leaves import COLUMNS, slice_key
from tablebases.folders import cache_folder, write_whole
from tablebases.solver.classes import solve_class
from tablebases.solver.entries import SOLVER_VERSION
from tablebases.solver.kernels import LAST_TRUE_PLY
from tablebases.solver.results import Distances
from tablebases.solver.run import Kept

__all__ = ["FOUR_MEN", "Gathered", "Leaves", "four_men", "nothing"]

Words = npt.NDArray[np.uint64]

_FORMAT: Final = 1
"""Raise when the arrays come out differently from the same solver."""
_MAGIC: Final = b"fullpoint leaves\n"


def _classes() -> Iterator[str]:
    """All classes of three and four men with something to play for."""
    for white in "QRBNP":
        yield f"K{white}vK"
    for pair in combinations_with_replacement("QRBNP", 2):
        yield f"K{''.join(pair)}vK"
        yield f"K{pair[0]}vK{pair[1]}"


FOUR_MEN: Final = tuple(_classes())


@dataclass(frozen=True)
class Leaves:
    """Exact sets as the kernel reads them (``leaves``).

    Attributes:
        heads: the directory, shape (rows, ``COLUMNS``).
        pool: the words of all sets.
        men: positions with more men are not asked for; 0 if there is nothing to ask.
    """

    heads: Words
    pool: Words
    men: int

    @property
    def nbytes(self) -> int:
        """Bytes of memory."""
        return self.heads.nbytes + self.pool.nbytes


class Gathered:
    """Collects slices, from any number of sources; ``leaves()`` is what a search is handed."""

    def __init__(self, start: Leaves | None = None) -> None:
        self._rows: dict[int, tuple[int, ...]] = {}
        self._parts: list[Words] = []
        self._size = 0
        self._men = 0
        if start is not None:
            self._rows = {int(row[0]): tuple(map(int, row)) for row in start.heads if row[0]}
            self._parts, self._size, self._men = [start.pool], start.pool.size, start.men

    def _keep(self, words: Words) -> int:
        at = self._size
        self._parts.append(np.ascontiguousarray(words, np.uint64).reshape(-1))
        self._size += words.size
        return at

    def add(
        self,
        result: Kept,
        won: tuple[Words, Words],
        most: tuple[Words, Words] | None = None,
        *,
        longest: int = LAST_TRUE_PLY,
    ) -> None:
        """Add one slice, unless it is there with exact sets already.

        Args:
            result: the slice as the side that may win sees it (that side is White).
            won: words of the proved wins, that side to move, and of the other side's losses;
                shape (blocks, 64), bit = king of the side that may win.
            most: the same for all positions not proved to be no win; None if ``won`` is exact.
            longest: plies of the longest of these wins to the next zeroing move or mate.
        """
        packed = 0
        for i, code in enumerate(result.codes[: result.pieces]):
            packed |= (int(code) + 1) << 4 * i
        key = int(slice_key(np.uint64(packed), np.uint64(result.white), np.uint64(result.black)))
        if key in self._rows and self._rows[key][1] == self._rows[key][3]:
            return
        first = self._keep(won[0]), self._keep(won[1])
        second = first if most is None else (self._keep(most[0]), self._keep(most[1]))
        self._rows[key] = key, *first, *second, int(result.symmetric), longest
        men = result.pieces + int(result.white | result.black).bit_count() + 2
        self._men = max(self._men, men)

    def add_distances(self, result: Kept, distances: Distances) -> None:
        """Add a slice whose distances are known, exactly."""
        white, black = distances.white, distances.black
        won = (white > 0) & (white <= LAST_TRUE_PLY)
        lost = (black != distances.none) & (black <= LAST_TRUE_PLY)
        longest = max(int(white[won].max(initial=0)), int(black[lost].max(initial=0)))
        self.add(result, (_words(won), _words(lost)), longest=longest)

    def add_class(self, name: str) -> None:
        """Solve a class of material and add its slices, for both sides' wins."""
        solution = solve_class(name)
        for colour in chess.COLORS:
            for _, result, distances in solution.slices(colour):
                self.add_distances(result, distances)

    def leaves(self) -> Leaves:
        """Everything that was added."""
        size = 1 << max(4, (2 * len(self._rows)).bit_length())
        heads = np.zeros((size, COLUMNS), np.uint64)
        for key, row in self._rows.items():
            at = (key >> 32) & (size - 1)
            while heads[at, 0]:
                at = (at + 1) & (size - 1)
            heads[at] = row
        pool = np.concatenate(self._parts) if self._parts else np.zeros(1, np.uint64)
        return Leaves(heads, pool, self._men)


def _words(truth: npt.NDArray[np.bool_]) -> Words:
    """(blocks, 64, 64) truths -> (blocks, 64) words."""
    words: Words = np.packbits(truth, axis=-1, bitorder="little").view(np.uint64)[..., 0]
    return words


def nothing() -> Leaves:
    """No exact sets."""
    return Gathered().leaves()


# --- on disk ---------------------------------------------------------------------------------


def _path(folder: Path) -> Path:
    return folder / f"four-men-{SOLVER_VERSION}-{_FORMAT}.sets"


def write(leaves: Leaves, path: Path) -> None:
    """Write sets with a digest, all or nothing.

    Raises:
        OSError: if it cannot be written.
    """
    sizes = np.array([*leaves.heads.shape, leaves.pool.size, leaves.men], "<u8").tobytes()
    body = (
        sizes,
        leaves.heads.astype("<u8", copy=False).tobytes(),
        leaves.pool.astype("<u8", copy=False).tobytes(),
    )
    digest = _digest(body)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(str(path), (_MAGIC + digest, *body))


def read(path: Path) -> Leaves | None:
    """Sets that ``write`` wrote; None if there are none, or they are damaged."""
    at = len(_MAGIC) + 16
    try:
        with path.open("rb") as file:
            head, size = file.read(at), path.stat().st_size - at
            if not head.startswith(_MAGIC) or size < 32 or size % 8:
                return None
            data = np.fromfile(file, "<u8")  # in one piece, to be used where it lies
    except OSError:
        return None
    if _digest((data,)) != head[len(_MAGIC) :]:
        return None
    rows, columns, words, men = (int(n) for n in data[:4])
    if columns != COLUMNS or len(data) != 4 + rows * columns + words:
        return None
    body = data[4:].astype(np.uint64, copy=False)
    return Leaves(body[: rows * columns].reshape(rows, columns), body[rows * columns :], men)


def _digest(parts: Iterable[Any]) -> bytes:
    state = hashlib.blake2b(digest_size=16)
    for part in parts:
        state.update(part)
    return state.digest()


def four_men(folder: Path | None = None, *, making: Callable[[], None] | None = None) -> Leaves:
    """All outcomes of three and four men: read from ``folder``, or made and kept there.

    Args:
        folder: the user's cache folder if None.
        making: called before they are made, which takes seconds, or a minute if the solver's
            machine code has to be made first.
    """
    path = _path(cache_folder("leaves") if folder is None else folder)
    leaves = read(path)
    if leaves is not None:
        return leaves
    if making is not None:
        making()
    gathered = Gathered()
    for name in FOUR_MEN:
        gathered.add_class(name)
    made = gathered.leaves()
    with contextlib.suppress(OSError):  # then they are made again next time
        write(made, path)
    return made
